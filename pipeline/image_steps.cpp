#include "pipeline/image_steps.h"

#include <fmt/format.h>

#include <fstream>

#include "core/error.h"
#include "core/hash.h"
#include "core/metadata.h"
#include "pipeline/capture_check.h"
#include "pipeline/output_pixels.h"
#include "pipeline/painted_mask.h"
#include "stages/exposure/exposure.h"
#include "stages/measure_view/measure_view.h"
#include "stages/refine/refine.h"
#include "stages/repair/repair.h"

namespace trunnion {
namespace {

constexpr std::size_t kHeadBytes = 16;

void on_input(Fingerprint& print, const ImageItem& item, const SetRun& /*set*/) {
  print.add(item.input_hash).add(item.station.name);
}

void on_survey(Fingerprint& print, const ImageItem& /*item*/, const SetRun& set) {
  print.add(set.survey_fingerprint);
}

void add_findings(ImageWork& work, Findings findings) {
  for (Finding& finding : findings) {
    finding.file = work.item.station.source;
    work.item.result.findings.push_back(std::move(finding));
  }
}

void run_decode(ImageWork& work) {
  const ingest::StationImage& station = work.item.station;
  work.image = work.set.decoded->take(station.file);
  if (work.image.empty()) {
    work.image = read_image(station.file, image_limits(work.set.settings().limits), &work.missing);
  }
  if (!work.missing.empty()) {
    work.item.result.findings.push_back(truncated(station.source, work.missing));
  }
}

void run_before(ImageWork& work) {
  work.before = picture_source(work.image);
}

void run_repair(ImageWork& work) {
  work.item.result.spots_repaired =
      repair::repair(work.image, work.set.survey.spots, work.set.settings().repair).spots_repaired;
}

// What can't be read is refused where it is used.
std::string hash_if_readable(const std::optional<fs::path>& file) {
  if (!file) return {};
  try {
    return hash_file(*file);
  } catch (const Error&) {
    return "unreadable";
  }
}

void on_mask(Fingerprint& print, const ImageItem& item, const SetRun& set) {
  on_survey(print, item, set);
  print.add(set.workspace.setup.object_pixel_um());
  const UserMasks user = find_user_masks(item.station.file);
  for (const auto& file : {user.add, user.subtract}) print.add(hash_if_readable(file));
}

void run_mask(ImageWork& work) {
  const Settings& settings = work.set.settings();
  if (!settings.mask.enabled) return;
  const ingest::StationImage& station = work.item.station;
  mask::MaskResult mask =
      mask::make_mask(work.image, work.set.survey, settings.mask,
                      work.set.workspace.setup.object_pixel_um() / 1000.0, work.missing);
  work.item.result.by_hand = apply_user_masks(mask, find_user_masks(station.file), work.missing);
  work.coverage = mask.coverage;
  work.outline = mask.outline;
  work.item.result.mask = mask.measures;
  add_findings(work, std::move(mask.findings));
}

void report_mask(const ImageItem& item, const SetRun& set, report::ReportView& view) {
  if (!set.settings().mask.enabled) return;
  const ImageInfo& info = item.station.info;
  view.mask_area = item.result.mask.area_px /
                   (static_cast<double>(info.width_px) * static_cast<double>(info.height_px));
}

void run_measure(ImageWork& work) {
  const SurveyResult& survey = work.set.survey;
  ImageResult& result = work.item.result;
  result.view = measure_view::measure_view(work.image, work.outline, survey);
  if (work.set.checks_places()) {
    work.item.features = features_for_check(work.image, work.outline, work.set.settings().refine);
  }
  if (work.outline.empty()) return;
  for (Finding& finding :
       blurred_zones(work.image, work.outline, survey, result.view, work.item.station.source)) {
    result.findings.push_back(finding);
  }
  // The survey's images say enough of the detail: check --all is no slower for it.
  if (work.set.job == Job::check && work.item.in_survey) {
    result.view.edge_sigma_px = outline_spread_px(work.image, work.outline, work.item.station.file,
                                                  work.set.settings().exposure.curve);
  }
}

std::optional<fs::path> even_image(const SetRun& set) {
  return exposure::even_image(set.workspace.root, set.workspace.file.specimen.empty_image,
                              set.settings().exposure);
}

void on_exposure(Fingerprint& print, const ImageItem& item, const SetRun& set) {
  on_survey(print, item, set);
  print.add(hash_if_readable(even_image(set)));
}

void run_exposure(ImageWork& work) {
  const SetRun& set = work.set;
  const ExposureSettings& settings = set.settings().exposure;
  if (!settings.enabled) return;
  const exposure::Illumination& illumination = set.illumination->get([&] {
    return exposure::read_illumination(even_image(set), image_limits(set.settings().limits),
                                       work.image.size(), settings.curve);
  });
  const exposure::FoundCurve curve =
      exposure::curve_of(read_metadata(work.item.station.file), settings.curve);
  add_findings(work, exposure::balance(work.image, curve, work.item.result.view.backdrop_level,
                                       set.survey, illumination, settings.level)
                         .findings);
}

void on_cameras(Fingerprint& print, const ImageItem& /*item*/, const SetRun& set) {
  for (const Camera* camera : {&set.map.from, &set.map.to}) {
    print.add(camera->projection).add(camera->width_px).add(camera->height_px);
    print.add(camera->fx).add(camera->fy).add(camera->cx).add(camera->cy);
    for (const double k : camera->distortion) print.add(k);
  }
}

void run_undistort(ImageWork& work) {
  const Settings& settings = work.set.settings();
  const undistort::UndistortMap& map = work.set.map;
  undistort::undistort_image(work.image, map, settings.undistort.interpolation);
  if (work.coverage.empty()) return;
  const bool margin = work.coverage.data != work.outline.data;
  work.coverage = undistort::undistort_mask(work.coverage, map);
  // Only features ask for the outline from here on.
  work.outline = margin && settings.refine.enabled ? undistort::undistort_mask(work.outline, map)
                                                   : work.coverage;
}

bool loses_alpha(const ImageInfo& info, const Settings& settings) {
  const bool kept = settings.output.alpha == AlphaMode::alpha && !settings.mask.enabled;
  return info.channels == 4 && !kept;
}

void run_convert(ImageWork& work) {
  const OutputSettings& output = work.set.settings().output;
  const ingest::StationImage& station = work.item.station;
  work.item.result.type = output_type(station, output);
  if (loses_alpha(station.info, work.set.settings())) {
    work.item.result.findings.push_back(
        {Severity::note, "image", station.source,
         "The alpha channel of the fused image was left out, as output.alpha asks.",
         "Nothing to do; with output.alpha = \"alpha\" and no mask it would be kept."});
  }
  work.image = with_depth(with_mask(work.image, work.coverage, output.alpha, station.info.grey),
                          output.bits);
}

template <typename Archive>
void fields(Archive& archive, EncodedFile& encoded) {
  archive(encoded.channels);
  archive(encoded.bits);
  archive(encoded.bytes);
  archive(encoded.modified_ns);
  archive(encoded.hash);
  archive(encoded.head);
}

Made make_encoded(ImageWork& work) {
  const OutputSettings& output = work.set.settings().output;
  PendingFile file(work.set.workspace.root / work.item.encoded_path());
  write_image(file.temporary(), work.image,
              {.type = work.item.result.type,
               .compress = output.compress,
               .jpeg_quality = output.jpeg_quality,
               .chroma = work.item.station.info.chroma});
  work.item.encoded.channels = work.image.channels();
  work.item.encoded.bits = work.image.depth() == CV_16U ? 16 : 8;
  return {std::move(file), {}};
}

std::string read_head(const fs::path& file) {
  std::string head(kHeadBytes, '\0');
  std::ifstream stream(file, std::ios::binary);
  stream.read(head.data(), static_cast<std::streamsize>(head.size()));
  head.resize(static_cast<std::size_t>(std::max<std::streamsize>(stream.gcount(), 0)));
  return head;
}

std::string keep_encoded(ImageItem& item, const Made& made, const SetRun& /*set*/) {
  const fs::path& file = made.file->final_path();
  const FileStamp stamp = stamp_of(file);
  item.encoded.bytes = stamp.bytes;
  item.encoded.modified_ns = stamp.modified_ns;
  try {
    item.encoded.hash = hash_file(file);
  } catch (const Error& error) {
    throw output_error(error.what());  // it was written a moment ago
  }
  item.encoded.head = read_head(file);
  return to_archive(item.encoded, [](auto& a, EncodedFile& value) { fields(a, value); });
}

// Encoded pixels wait in a file of their own until metadata is added; then they are those of the
// finished image.
bool encoded_there(ImageItem& item, const std::string& kept, const SetRun& set) {
  item.encoded =
      from_archive<EncodedFile>(kept, [](auto& a, EncodedFile& value) { fields(a, value); });
  return encoded_waits(item, set) ||
         set.outputs.made_from(item.image_path(), item.prints.at(kEncodedPixels) + ":");
}

Made make_mask_file(ImageWork& work) {
  if (work.coverage.empty()) return {};
  const std::string path = mask_path(work.item.station, work.set.settings().output);
  PendingFile file(work.set.workspace.root / path);
  write_image(file.temporary(), work.coverage, {.type = FileType::png});
  return {std::move(file), path};
}

constexpr std::string_view kMaskFile = "mask file";

std::string keep_mask_file(ImageItem& item, const Made& made, const SetRun& set) {
  if (made.file) set.outputs.record(made.bytes, item.prints.at(kMaskFile));
  return made.bytes;
}

// `kept` is the path. A mask of the same content under another name (output.mask_suffix) is copied.
bool mask_file_there(ImageItem& item, const std::string& kept, const SetRun& set) {
  if (kept.empty()) return true;  // masks are off
  const std::string& print = item.prints.at(kMaskFile);
  const std::string path = mask_path(item.station, set.settings().output);
  if (set.outputs.current(path, print)) return true;
  if (kept == path || !set.outputs.made_from(kept, print)) return false;
  PendingFile file(set.workspace.root / path);
  std::error_code code;
  fs::copy_file(set.workspace.root / kept, file.temporary(), fs::copy_options::overwrite_existing,
                code);
  if (code) throw output_error(fmt::format("{}: {}.", file.final_path().string(), code.message()));
  file.commit();
  set.outputs.record(path, print);
  set.journal.record(item.station.name, std::string(kMaskFile), print, path);
  return true;
}

Made make_features(ImageWork& work) {
  const RefineSettings& refine = work.set.settings().refine;
  if (!refine.enabled) return {};
  return {{},
          refine::features_to_bytes(refine::extract_features(work.image, work.outline, refine))};
}

Made make_pictures(ImageWork& work) {
  report::ViewThumbnails pictures = report::make_thumbnails(work.before, work.image, work.coverage);
  pictures.before_width_px = work.set.map.from.width_px;
  pictures.before_height_px = work.set.map.from.height_px;
  return {{}, report::pack(pictures)};
}

void report_pictures(const ImageItem& item, const SetRun& set, report::ReportView& view) {
  const std::string pictures = kept_of(kPictures, item, set);
  if (!pictures.empty()) view.pictures = report::unpack_thumbnails(pictures);
}

// In the order in which they run.
std::vector<ImageStep> declared_steps() {
  return {
      {.name = "decode",
       .in_check = true,
       .settings = {"limits.tolerate_truncated"},
       .depends = on_input,
       .run = run_decode},
      {.name = "before", .run = run_before},
      {.name = "repair",
       .shown = true,
       .in_check = true,
       .settings = {"repair"},
       .depends = on_survey,
       .run = run_repair,
       .kept = kept<ImageResult>([](auto& a, ImageResult& r) { a(r.spots_repaired); }),
       .report =
           [](const ImageItem& item, const SetRun&, report::ReportView& view) {
             view.spots_repaired = item.result.spots_repaired;
           }},
      {.name = "mask",
       .shown = true,
       .in_check = true,
       .settings = {"mask"},
       .depends = on_mask,
       .run = run_mask,
       .kept = kept<ImageResult>([](auto& a, ImageResult& r) {
         a(r.by_hand.painted);
         a(r.by_hand.changed_share);
         a(r.by_hand.outline_share);
         a(r.by_hand.before_subtraction);
         archive_mask(a, r.mask);
       }),
       .report = report_mask},
      {.name = "measure",
       .in_check = true,
       .depends = on_survey,
       .run = run_measure,
       .kept =
           kept<ImageResult>([](auto& a, ImageResult& r) { archive_view_measures(a, r.view); })},
      {.name = "exposure",
       .in_check = true,
       .settings = {"exposure"},
       .depends = on_exposure,
       .run = run_exposure},
      {.name = "undistort",
       .shown = true,
       .settings = {"undistort"},
       .depends = on_cameras,
       .run = run_undistort},
      {.name = "convert",
       .settings = {"output.type", "output.bits", "output.alpha"},
       .run = run_convert,
       .kept = kept<ImageResult>([](auto& a, ImageResult& r) { a(r.type); })},
  };
}

std::vector<ImageProduct> declared_products() {
  return {
      {.name = kEncodedPixels,
       .encodes = true,
       .settings = {"output.compress", "output.jpeg_quality"},
       .make = make_encoded,
       .keep = keep_encoded,
       .there = encoded_there},
      {.name = kMaskFile, .make = make_mask_file, .keep = keep_mask_file, .there = mask_file_there},
      {.name = kFeatures,
       .settings = {"refine.enabled", "refine.max_features", "refine.level_megapixels",
                    "refine.min_contrast_percent"},
       .make = make_features},
      {.name = kPictures, .make = make_pictures, .report = report_pictures},
  };
}

}  // namespace

const std::vector<ImageStep>& image_steps() {
  static const std::vector<ImageStep> steps = declared_steps();
  return steps;
}

const std::vector<ImageProduct>& image_products() {
  static const std::vector<ImageProduct> products = declared_products();
  return products;
}

std::string kept_of(std::string_view product, const ImageItem& item, const SetRun& set) {
  const std::string name(product);
  return set.journal.find(item.station.name, name, item.prints.at(product)).value_or("");
}

bool encoded_waits(const ImageItem& item, const SetRun& set) {
  const fs::path file = set.workspace.root / item.encoded_path();
  const FileStamp stamp = stamp_of(file);
  if (stamp.bytes == 0 || stamp.bytes != item.encoded.bytes) return false;
  return stamp.modified_ns == item.encoded.modified_ns || hash_file(file) == item.encoded.hash;
}

FileType output_type(const ingest::StationImage& station, const OutputSettings& output) {
  const FileType type = output.type == OutputType::same   ? station.info.type
                        : output.type == OutputType::tiff ? FileType::tiff
                        : output.type == OutputType::png  ? FileType::png
                                                          : FileType::jpeg;
  const int bits = output.bits == OutputBits::same    ? station.info.bits
                   : output.bits == OutputBits::eight ? 8
                                                      : 16;
  if (type == FileType::jpeg && (bits != 8 || output.alpha == AlphaMode::alpha)) {
    throw data_error(fmt::format(
        "{}: JPEG has 8 bits and no alpha, but the settings ask for {}; set output.type to "
        "\"tiff\" or \"png\", or output.bits to \"8\" and output.alpha to \"none\".",
        station.source, bits == 16 ? "16 bit" : "an alpha channel"));
  }
  return type;
}

}  // namespace trunnion
