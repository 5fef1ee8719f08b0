// From the files of a set to its images and the priors of their poses.
#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <numeric>

#include "core/error.h"
#include "core/freed_memory.h"
#include "pipeline/capture_check.h"
#include "pipeline/gather/series_check.h"
#include "pipeline/image_pass.h"
#include "pipeline/image_steps.h"
#include "pipeline/interrupt.h"
#include "pipeline/set_steps.h"
#include "pipeline/survey_run.h"
#include "stages/orient/orient.h"
#include "stages/refine/refine.h"

namespace trunnion {
namespace {

std::string run_ingest(SetRun& set, const Fingerprint& /*own*/) {
  ingest::IngestResult found = ingest::ingest(
      set.workspace.root, set.workspace.file.specimen, set.settings(),
      [&set](const fs::path& file) { return set.journal.input_hash(file); }, set.workspace.review);
  use_series(set.workspace.root, found.images, set.workspace.review, found.findings);
  set.add(found.findings);
  set.outcome.stations_expected = found.stations_expected;
  set.outcome.images_found = static_cast<int>(found.images.size());
  set.images = std::move(found.images);
  return fmt::format("{} of {} stations", set.images.size(), found.stations_expected);
}

Camera source_camera(SetRun& set) {
  const Workspace& workspace = set.workspace;
  const ImageInfo& info = set.images.front().info;
  const Setup& setup = workspace.setup;
  if (info.width_px != setup.width_px || info.height_px != setup.height_px) {
    throw data_error(fmt::format(
        "{}: the images are {} x {} pixels, but the setup {} has body.width_px = {} and "
        "body.height_px = {}; correct the setup or choose the one these images were shot with.",
        (workspace.root / "specimen.toml").string(), info.width_px, info.height_px, setup.name,
        setup.width_px, setup.height_px));
  }
  if (workspace.record && workspace.record->lens) return workspace.record->lens->camera;
  set.add({{Severity::doubt, "undistort", "",
            fmt::format("The lens of setup \"{}\" is not calibrated: principal distance and "
                        "distortion are nominal.",
                        setup.name),
            "Calibrate it with images of a checkerboard (trunnion calibrate lens)."}});
  return setup.nominal_camera();
}

// At most, as if nothing of it could be compressed.
std::uintmax_t bytes_to_write(const std::vector<ingest::StationImage>& images) {
  std::uintmax_t bytes = 0;
  for (const ingest::StationImage& image : images) {
    const ImageInfo& info = image.info;
    const auto pixels =
        static_cast<std::uintmax_t>(info.width_px) * static_cast<std::uintmax_t>(info.height_px);
    bytes += pixels * static_cast<std::uintmax_t>(info.channels * info.bits / 8);
  }
  return bytes;
}

std::string run_cameras(SetRun& set, const Fingerprint& /*own*/) {
  set.map = undistort::undistort_map(source_camera(set), set.settings().undistort);
  output_type(set.images.front(), set.settings().output);
  return {};
}

std::string run_survey_step(SetRun& set, const Fingerprint& own) {
  set.decoded = std::make_unique<DecodedImages>(set.workspace.state(), bytes_to_write(set.images));
  const std::string note = run_survey(set, own);
  set.add(set.survey.findings);
  set.outcome.spots = set.survey.spots.size();
  // What many stations needed is of other sizes than what follows, and more.
  if (static_cast<int>(set.survey.images.size()) > set.settings().survey.stations) {
    return_freed_memory();
  }
  return note;
}

void report_survey(const SetRun& set, report::ReportData& data) {
  if (!set.survey.backdrop.empty()) {
    data.backdrop_jpeg = report::backdrop_picture(set.survey.backdrop, set.survey.full_scale);
  }
  for (const Spot& spot : set.survey.spots) {
    data.spots.push_back({spot.x_px, spot.y_px, spot.diameter_px, spot.contrast});
  }
}

void drop_faulty(SetRun& set) {
  for (const ImageItem& item : set.items) set.add(item.result.findings);
  std::erase_if(set.items, [](const ImageItem& item) { return item.faulty; });
  if (!set.items.empty()) return;
  const Findings& findings = set.outcome.findings;
  throw data_error(fmt::format("{}: not one image could be {}; the first cause: {}",
                               set.workspace.root.string(),
                               set.job == Job::prepare ? "prepared" : "used",
                               findings.empty() ? "unknown" : findings.back().what));
}

// All images; for check those of the survey unless all were asked for.
std::string run_images(SetRun& set, const Fingerprint& /*own*/) {
  std::vector<std::size_t> which = set.survey.images;
  std::sort(which.begin(), which.end());
  if (set.job == Job::prepare || set.options.every_image) {
    which.resize(set.images.size());
    std::iota(which.begin(), which.end(), std::size_t{0});
  }
  for (const std::size_t image : which) {
    ImageItem& item = set.items.emplace_back();
    item.station = set.images[image];
    item.in_survey = std::find(set.survey.images.begin(), set.survey.images.end(), image) !=
                     set.survey.images.end();
  }
  const std::string note = run_image_pass(set);
  drop_faulty(set);
  set.outcome.images_prepared = static_cast<int>(set.items.size());
  set.outcome.images_reused = static_cast<int>(
      std::count_if(set.items.begin(), set.items.end(), [](const auto& i) { return i.reused; }));
  return note;
}

std::string run_capture_check(SetRun& set, const Fingerprint& /*own*/) {
  std::vector<CaptureMeasure> measures;
  std::size_t k = 0;  // items: images in their order, less some
  for (const ImageItem& item : set.items) {
    while (set.images[k].name != item.station.name) ++k;
    measures.push_back({k, item.result.mask, item.result.view});
  }
  CaptureCheck checked = check_capture(set.workspace, set.images, measures);
  set.add(checked.findings);
  set.relative = std::move(checked.relative);
  return {};
}

void report_capture_check(const SetRun& set, report::ReportData& data) {
  for (std::size_t i = 0; i < set.relative.size(); ++i) {
    data.views[i].exposure = set.relative[i].exposure;
    data.views[i].sharpness = set.relative[i].sharpness;
  }
}

// Priors of all poses, and the scene that later steps refine, write and show.
std::string run_orient(SetRun& set, const Fingerprint& /*own*/) {
  const Workspace& workspace = set.workspace;
  std::vector<orient::OrientStation> stations;
  for (const ImageItem& item : set.items) {
    const ingest::StationImage& s = item.station;
    stations.push_back(
        {s.name, s.ring, s.ring_index, s.station, s.stage_angle, s.tilt, s.reference_mm});
  }
  orient::OrientResult oriented = orient::orient(stations, workspace.file.specimen, workspace.setup,
                                                 workspace.record ? &*workspace.record : nullptr);
  set.add(oriented.findings);
  set.rings = std::move(oriented.rings);
  Scene& scene = set.outcome.scene;
  scene.title = workspace.file.specimen.title;
  scene.record = workspace.file.specimen.record;
  scene.setup_name = workspace.setup.name;
  scene.camera = set.map.to;
  scene.source_camera = set.map.from;
  scene.pixel_pitch_um = workspace.setup.pixel_pitch_um;
  scene.lens_calibrated = workspace.record && workspace.record->lens;
  scene.axis_calibrated = oriented.axis_calibrated;
  scene.calibration_hash = workspace.record ? workspace.record->hash : "";
  scene.views = std::move(oriented.views);
  const std::size_t prefix = std::string_view("prepared/").size();
  for (std::size_t i = 0; i < set.items.size(); ++i) {
    View& view = scene.views[i];
    const ImageItem& item = set.items[i];
    view.image_file = item.image_path().substr(prefix);
    if (set.settings().mask.enabled) {
      view.mask_file = mask_path(item.station, set.settings().output).substr(prefix);
    }
    view.source_file = item.station.source;
  }
  return {};
}

// check --all: whether the files say of every image what it shows; doubts about single poses need
// the detail that prepare looks at.
std::string run_image_places(SetRun& set, const Fingerprint& /*own*/) {
  if (!set.checks_places()) return {};
  Scene scene = set.outcome.scene;
  scene.camera = scene.source_camera;  // the images are as they were shot
  const refine::FeatureReader features = [&set](std::size_t view) {
    check_interrupt();
    return set.items[view].features;
  };
  const refine::RefineResult refined =
      refine::refine(scene, set.rings, features, set.settings().refine);
  for (const Finding& finding : refined.findings) {
    const bool bump = refined.fault == refine::AcquisitionFault::bumped_specimen &&
                      finding.severity == Severity::doubt && !finding.file.empty();
    if (finding.severity == Severity::fault || bump) set.add({finding});
  }
  return {};
}

// "repair, mask, undistort": what is done to the images.
std::string name_of_pass(Job job) {
  std::vector<std::string_view> names;
  for (const ImageStep& step : image_steps()) {
    if (step.shown && (job == Job::prepare || step.in_check)) names.push_back(step.name);
  }
  return fmt::format("{}", fmt::join(names, ", "));
}

}  // namespace

std::vector<SetStep> preparing_steps(Job job) {
  std::vector<SetStep> steps{
      {.name = "ingest",
       .shown = true,
       .in_check = true,
       .settings = {"limits", "output.name", "output.frame"},
       .run = run_ingest,
       .report =
           [](const SetRun& set, report::ReportData& data) {
             report::add_rings(data, set.workspace.file.specimen, set.workspace.review);
           }},
      {.name = "cameras", .in_check = true, .settings = {"undistort"}, .run = run_cameras},
      {.name = "survey",
       .shown = true,
       .in_check = true,
       .settings = {"survey", "limits.tolerate_truncated"},
       .run = run_survey_step,
       .report = report_survey},
      {.name = name_of_pass(job),
       .shown = true,
       .in_check = true,
       .per_image = true,
       .run = run_images},
      {.name = "capture check",
       .in_check = true,
       .run = run_capture_check,
       .report = report_capture_check},
      {.name = "orient",
       .in_check = true,
       .settings = {"output.mask_suffix"},
       .run = run_orient,
       .report = [](const SetRun& set,
                    report::ReportData& data) { report::add_scene(data, set.outcome.scene); }},
  };
  if (job == Job::check) {
    steps.push_back({.name = "places of images", .in_check = true, .run = run_image_places});
  }
  return steps;
}

}  // namespace trunnion
