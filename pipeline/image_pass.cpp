#include "pipeline/image_pass.h"

#include <fmt/format.h>
#include <tbb/parallel_invoke.h>
#include <tbb/parallel_pipeline.h>
#include <tbb/task_arena.h>

#include <algorithm>
#include <atomic>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>

#include "core/error.h"
#include "core/files.h"
#include "core/freed_memory.h"
#include "pipeline/capture_check.h"
#include "pipeline/disk_thread.h"
#include "pipeline/image_record.h"
#include "pipeline/image_reuse.h"
#include "pipeline/interrupt.h"
#include "pipeline/output_pixels.h"
#include "pipeline/painted_mask.h"
#include "stages/measure_view.h"
#include "stages/refine_features.h"
#include "stages/repair.h"
#include "stages/report.h"

namespace trunnion {
namespace {

constexpr const char* kFeatureStep = "features";
constexpr const char* kPictureStep = "pictures";
constexpr std::size_t kHeadBytes = 16;

PendingFile write_encoded(ImageItem& item, const cv::Mat& image, const ImagePass& pass) {
  const OutputSettings& output = pass.workspace.file.settings.output;
  PendingFile encoded(pass.workspace.root / item.encoded_path());
  write_image(encoded.temporary(), image,
              {.type = item.result.type,
               .compress = output.compress,
               .jpeg_quality = output.jpeg_quality,
               .chroma = item.station.info.chroma});
  item.result.channels = image.channels();
  item.result.bits = image.depth() == CV_16U ? 16 : 8;
  return encoded;
}

void commit_encoded(ImageItem& item, PendingFile& encoded) {
  encoded.commit();
  const FileStamp stamp = stamp_of(encoded.final_path());
  item.result.encoded_bytes = stamp.bytes;
  item.result.encoded_modified_ns = stamp.modified_ns;
  item.result.encoded_head = read_head(encoded.final_path(), kHeadBytes);
}

PendingFile write_mask(const ImageItem& item, const cv::Mat& mask, const ImagePass& pass) {
  PendingFile file(pass.workspace.root /
                   mask_path(item.station, pass.workspace.file.settings.output));
  write_image(file.temporary(), mask, {.type = FileType::png});
  return file;
}

bool loses_alpha(const ImageInfo& info, const Settings& settings) {
  const bool kept = settings.output.alpha == AlphaMode::alpha && !settings.mask.enabled;
  return info.channels == 4 && !kept;
}

Finding alpha_left_out(const std::string& source) {
  return {Severity::note, "image", source,
          "The alpha channel of the fused image was left out, as output.alpha asks.",
          "Nothing to do; with output.alpha = \"alpha\" and no mask it would be kept."};
}

// What an image became, not yet safe on the disk.
struct Processed {
  std::optional<PendingFile> encoded;
  std::optional<PendingFile> mask;
  std::string features;
  std::string pictures;
};

// `about_to_write` is called where the image itself needs least memory.
Processed process(ImageItem& item, const ImagePass& pass,
                  const std::function<void()>& about_to_write) {
  const Settings& settings = pass.workspace.file.settings;
  cv::Rect missing;
  cv::Mat image = pass.decoded.take(item.station.file);
  if (image.empty()) {
    image = read_image(item.station.file, image_limits(settings.limits), &missing);
  }
  if (!missing.empty()) item.result.findings.push_back(truncated(item.station.source, missing));
  check_interrupt();
  const cv::Mat before = picture_source(image);
  item.result.spots_repaired = repair(image, pass.survey.spots, settings.repair).spots_repaired;
  cv::Mat coverage;  // what is written
  cv::Mat outline;   // what the image is judged by: the same without margin
  if (settings.mask.enabled) {
    MaskResult mask = make_mask(image, pass.survey, settings.mask,
                                pass.workspace.setup.object_pixel_um() / 1000.0, missing);
    const Painted painted = apply_user_masks(mask, find_user_masks(item.station.file), missing);
    item.result.user_mask = painted.changed;
    item.result.before_subtraction = painted.before_subtraction;
    coverage = mask.coverage;
    outline = mask.outline;
    item.result.mask = mask.measures;
    for (Finding& finding : mask.findings) {
      finding.file = item.station.source;
      item.result.findings.push_back(finding);
    }
  }
  item.result.view = measure_view(image, outline, pass.survey);
  if (!outline.empty()) {
    for (Finding& finding :
         blurred_zones(image, outline, pass.survey, item.result.view, item.station.source)) {
      item.result.findings.push_back(finding);
    }
  }
  check_interrupt();
  undistort_image(image, pass.map, settings.undistort.interpolation);
  if (!coverage.empty()) {
    const bool margin = coverage.data != outline.data;
    coverage = undistort_mask(coverage, pass.map);
    outline = margin && settings.refine.enabled ? undistort_mask(outline, pass.map) : coverage;
  }
  check_interrupt();
  item.result.type = output_type(item.station, settings.output);
  if (loses_alpha(item.station.info, settings)) {
    item.result.findings.push_back(alpha_left_out(item.station.source));
  }
  image = with_depth(with_mask(image, coverage, settings.output.alpha, item.station.info.grey),
                     settings.output.bits);
  about_to_write();
  Processed processed;
  // Both halves at once where another thread has nothing else to do, as at the end of the set.
  tbb::parallel_invoke([&] { processed.encoded.emplace(write_encoded(item, image, pass)); },
                       [&] {
                         if (!coverage.empty()) {
                           processed.mask.emplace(write_mask(item, coverage, pass));
                         }
                         check_interrupt();
                         if (settings.refine.enabled) {
                           processed.features =
                               features_to_bytes(extract_features(image, outline, settings.refine));
                         }
                         ViewThumbnails pictures = make_thumbnails(before, image, coverage);
                         pictures.before_width_px = pass.map.from.width_px;
                         pictures.before_height_px = pass.map.from.height_px;
                         processed.pictures = pack(pictures);
                       });
  return processed;
}

void commit(ImageItem& item, Processed& processed, const ImagePass& pass) {
  commit_encoded(item, *processed.encoded);
  if (processed.mask) {
    processed.mask->commit();
    pass.outputs.record(mask_path(item.station, pass.workspace.file.settings.output),
                        item.fingerprint);
  }
  const std::string& name = item.station.name;
  pass.journal.record(name, kFeatureStep, item.fingerprint, processed.features);
  pass.journal.record(name, kPictureStep, item.fingerprint, processed.pictures);
  pass.journal.record(name, kImageStep, item.fingerprint, image_result_to_bytes(item.result));
}

// What is wrong with one image must not end the set. False where it is left out.
bool or_leave_out(ImageItem& item, const std::function<void()>& work) {
  try {
    work();
    return true;
  } catch (const Error& error) {
    if (error.kind() != Error::Kind::data) throw;
    item.faulty = true;
    item.result.findings.push_back(
        {Severity::fault, "image", item.station.source, error.what(),
         "Repair this image or export it again, then run prepare again."});
    return false;
  }
}

void do_item(ImageItem& item, const ImagePass& pass, DiskThread& commits,
             const std::function<void()>& about_to_write) {
  check_interrupt();
  item.input_hash = pass.journal.input_hash(item.station.file);
  item.fingerprint = pixel_fingerprint(item, pass);
  if (reuse(item, pass)) {
    item.reused = true;
    pass.progress.step();
    return;
  }
  item.result = {};
  std::shared_ptr<Processed> processed;
  // A thread that waits for parts of this image must not begin another image meanwhile.
  tbb::this_task_arena::isolate(
      [&] { processed = std::make_shared<Processed>(process(item, pass, about_to_write)); });
  commits.post([&item, &pass, processed] {
    or_leave_out(item, [&] { commit(item, *processed, pass); });
    pass.progress.step();
  });
}

}  // namespace

std::string ImageItem::image_path() const {
  return "prepared/images/" + station.name + extension_of(result.type);
}

std::string ImageItem::encoded_path() const {
  return ".trunnion/encoded/" + station.name + extension_of(result.type);
}

FileType output_type(const StationImage& station, const OutputSettings& output) {
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

std::string mask_path(const StationImage& station, const OutputSettings& output) {
  return "prepared/masks/" + station.name + output.mask_suffix + ".png";
}

void run_image_pass(std::vector<ImageItem>& items, const ImagePass& pass) {
  // What lies free between images grows the longer nothing is given back; clearing pages anew costs
  // a few hundredths of an image each time, which a small set is spared.
  constexpr std::size_t kImagesBeforeReturn = 16;
  constexpr std::size_t kImagesUntilReturn = 8;
  pass.progress.start("repair, mask, undistort", items.size());
  std::atomic<std::size_t> next = 0;
  const auto take = [&](tbb::flow_control& control) -> ImageItem* {
    if (next == items.size() || interrupted()) {
      control.stop();
      return nullptr;
    }
    if (next >= kImagesBeforeReturn && next % kImagesUntilReturn == 0) return_freed_memory();
    return &items[next++];
  };
  // While an image is written, one that comes next arrives.
  std::mutex mutex;
  std::size_t asked = 0;
  const auto about_to_write = [&] {
    const std::scoped_lock lock(mutex);
    asked = std::max(asked, next.load());
    if (asked < items.size()) pass.decoded.read_ahead(items[asked++].station.file);
  };
  DiskThread commits(static_cast<std::size_t>(pass.jobs));
  const auto work = [&](ImageItem* item) {
    const fs::path file = item->station.file;
    // Of what goes on to be committed nothing may be looked at here.
    if (!or_leave_out(*item, [&] { do_item(*item, pass, commits, about_to_write); })) {
      pass.progress.step();
    }
    pass.decoded.forget(file);  // of an image that needed nothing
  };
  tbb::parallel_pipeline(
      static_cast<std::size_t>(pass.jobs),
      tbb::make_filter<void, ImageItem*>(tbb::filter_mode::serial_in_order, take) &
          tbb::make_filter<ImageItem*, void>(tbb::filter_mode::parallel, work));
  commits.finish();
  check_interrupt();
  const auto reused =
      std::count_if(items.begin(), items.end(), [](const auto& i) { return i.reused; });
  pass.progress.finish(reused > 0 ? fmt::format("{} unchanged", reused) : std::string());
}

std::string recorded_features(Journal& journal, const ImageItem& item) {
  return journal.find(item.station.name, kFeatureStep, item.fingerprint).value_or("");
}

std::string recorded_pictures(Journal& journal, const ImageItem& item) {
  return journal.find(item.station.name, kPictureStep, item.fingerprint).value_or("");
}

}  // namespace trunnion
