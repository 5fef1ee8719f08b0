#include "pipeline/annotate_images.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <fstream>
#include <map>
#include <set>

#include "core/error.h"
#include "core/files.h"
#include "core/write_fence.h"
#include "pipeline/image_steps.h"
#include "pipeline/interrupt.h"
#include "stages/annotate/annotate.h"
#include "stages/report/report.h"

namespace trunnion {
namespace {

constexpr const char* kStep = "annotate";  // of the journal

std::string annotation_fingerprint(const SetRun& set, const Fingerprint& own, std::size_t index) {
  const Scene& scene = set.outcome.scene;
  const View& view = scene.views[index];
  Fingerprint print = own;
  print.add(scene.title).add(scene.setup_name).add(scene.calibration_hash);
  for (const RecordTerm& term : kRecordTerms) print.add(scene.record.*term.field);
  print.add(scene.lens_calibrated).add(scene.axis_calibrated).add(scene.refined);
  print.add(view.ring).add(view.station).add(view.stage_angle).add(view.sigma_stage_angle);
  print.add(view.pose.R).add(view.pose.t).add(view.covariance);
  print.add(view.prior.R).add(view.prior.t).add(view.prior_covariance);
  print.add(view.mask_file).add(set.workspace.setup_hash);
  const ingest::StationImage& station = set.items[index].station;
  print.add(station.frames).add(station.frame).add(frame_hash(set, station));
  return print.hash();
}

// Puts the encoded pixels of an image under a temporary name: moved from .trunnion/encoded, or,
// where only metadata changed since, taken from the final file. A TIFF's metadata was appended
// behind its pixels, so the encoded file is the final one cut to its old length with its old head;
// in JPEG and PNG the metadata is replaced as a whole.
void put_pixels(const SetRun& set, const ImageItem& item, const PendingFile& target) {
  const fs::path& root = set.workspace.root;
  if (encoded_waits(item, set)) {
    check_fence(root);
    fs::rename(root / item.encoded_path(), target.temporary());
    return;
  }
  fs::copy_file(root / item.image_path(), target.temporary(), fs::copy_options::overwrite_existing);
  if (item.result.type != FileType::tiff) return;
  fs::resize_file(target.temporary(), item.encoded.bytes);
  std::fstream file(target.temporary(), std::ios::binary | std::ios::in | std::ios::out);
  const std::string& head = item.encoded.head;
  file.write(head.data(), static_cast<std::streamsize>(head.size()));
  if (!file.flush()) throw std::ios_base::failure("writing failed");
}

void take_pixels(const SetRun& set, const ImageItem& item, const PendingFile& target) {
  try {
    put_pixels(set, item, target);
  } catch (const std::system_error& error) {  // of the file system and of streams
    throw output_error(
        fmt::format("{}: writing failed ({}); check space and permissions, then run again.",
                    target.final_path().string(), error.code().message()));
  }
}

std::vector<std::string> history_of(const ImageItem& item, const Settings& settings,
                                    const Scene& scene) {
  std::vector<std::string> history;
  if (item.result.spots_repaired > 0) {
    history.push_back(
        fmt::format("repair: {} static sensor spots interpolated", item.result.spots_repaired));
  }
  if (settings.mask.enabled) {
    history.emplace_back(item.result.by_hand.painted ? "mask: by contrast, changed by hand"
                                                     : "mask: by contrast");
  }
  if (settings.undistort.enabled) {
    history.push_back(fmt::format(
        "undistort: {} lens, {} interpolation", scene.lens_calibrated ? "calibrated" : "nominal",
        settings.undistort.interpolation == Interpolation::cubic ? "cubic" : "Lanczos"));
  }
  return history;
}

// Metadata of the single frame; one that can't be read costs its tags, not the image.
std::optional<Metadata> frame_metadata(const SetRun& set, const ingest::StationImage& station,
                                       Findings& findings) {
  if (station.frame.empty()) return std::nullopt;
  std::string why;
  try {
    Metadata metadata = read_metadata(set.workspace.root / station.frame);
    if (metadata.unreadable.empty()) return metadata;
    why = fmt::format("{}: {} cannot be read", station.frame, metadata.unreadable.front());
  } catch (const Error& error) {
    why = error.what();
  }
  findings.push_back({Severity::doubt, "annotate", station.source,
                      fmt::format("The single frame gave no metadata: {}", why),
                      "Give a readable frame in output.frame or the capture table."});
  return std::nullopt;
}

Findings annotate_one(const SetRun& set, const Fingerprint& own, std::size_t index) {
  const Scene& scene = set.outcome.scene;
  const ImageItem& item = set.items[index];
  const Settings& settings = set.settings();
  const std::string fingerprint =
      item.prints.at(kEncodedPixels) + ":" + annotation_fingerprint(set, own, index);
  const std::string relative = item.image_path();
  const std::string sidecar = fs::path(relative).replace_extension(".xmp").generic_string();
  if (set.outputs.current(relative, fingerprint) &&
      (!settings.output.sidecar || set.outputs.current(sidecar, fingerprint))) {
    if (set.journal.output(sidecar)) set.outputs.current(sidecar, fingerprint);
    const auto said = set.journal.find(item.station.name, kStep, fingerprint);
    return said ? findings_from_bytes(*said) : Findings{};
  }
  PendingFile file(set.workspace.root / relative);
  take_pixels(set, item, file);
  annotate::AnnotationInput input;
  input.type = item.result.type;
  input.channels = item.encoded.channels;
  input.bits = item.encoded.bits;
  input.source_hash = item.input_hash;
  Findings findings;
  const std::optional<Metadata> frame = frame_metadata(set, item.station, findings);
  if (frame) input.frame = &*frame;
  input.frame_file = item.station.frame;
  input.frames = item.station.frames;
  input.history = history_of(item, settings, scene);
  const std::string pictures = kept_of(kPictures, item, set);
  if (!pictures.empty()) input.thumbnail_jpeg = report::unpack_thumbnails(pictures).small_jpeg;
  const annotate::Annotation annotation = annotate::make_annotation(
      scene, index, set.workspace.setup, read_metadata(item.station.file), settings.output, input);
  findings.insert(findings.end(), annotation.findings.begin(), annotation.findings.end());
  const Findings lost = annotate::annotate(file.temporary(), annotation);
  findings.insert(findings.end(), lost.begin(), lost.end());
  for (Finding& finding : findings) {
    if (finding.file.empty()) finding.file = item.station.source;
  }
  file.commit();
  set.outputs.record(relative, fingerprint);
  if (annotate::write_sidecar(set.workspace.root / relative, annotation)) {
    set.outputs.record(sidecar, fingerprint);
  }
  set.journal.record(item.station.name, kStep, fingerprint, findings_to_bytes(findings));
  return findings;
}

}  // namespace

Findings notes_once(const std::vector<Findings>& by_image) {
  std::map<std::pair<std::string, std::string>, std::size_t> images;
  for (const Findings& findings : by_image) {
    for (const Finding& f : findings) {
      if (f.severity == Severity::note) ++images[{f.what, f.remedy}];
    }
  }
  Findings result;
  std::set<std::pair<std::string, std::string>> reported;
  for (const Findings& findings : by_image) {
    for (const Finding& finding : findings) {
      const std::pair key{finding.what, finding.remedy};
      if (finding.severity != Severity::note || images[key] == 1) {
        result.push_back(finding);
      } else if (reported.insert(key).second) {
        Finding note = finding;
        note.file.clear();
        note.what += images[key] == by_image.size()
                         ? fmt::format(" So in all {} images.", by_image.size())
                         : fmt::format(" So in {} of {} images.", images[key], by_image.size());
        result.push_back(note);
      }
    }
  }
  return result;
}

std::string frame_hash(const SetRun& set, const ingest::StationImage& station) {
  return station.frame.empty() ? std::string()
                               : set.journal.input_hash(set.workspace.root / station.frame);
}

void annotate_images(SetRun& set, const Fingerprint& own) {
  set.progress.expect(set.items.size());
  std::vector<Findings> findings(set.items.size());
  tbb::parallel_for(std::size_t{0}, set.items.size(), [&](std::size_t i) {
    if (interrupted()) return;
    findings[i] = annotate_one(set, own, i);
    set.progress.step();
  });
  check_interrupt();
  set.add(notes_once(findings));
}

}  // namespace trunnion
