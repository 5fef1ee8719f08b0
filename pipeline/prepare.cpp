#include "pipeline/prepare.h"

#include <fmt/chrono.h>
#include <fmt/format.h>
#include <tbb/global_control.h>

#include <algorithm>
#include <cstdlib>
#include <ctime>
#include <numeric>
#include <opencv2/core/utility.hpp>
#include <thread>

#include "core/error.h"
#include "core/files.h"
#include "core/freed_memory.h"
#include "core/metadata.h"
#include "pipeline/capture_check.h"
#include "pipeline/decoded_images.h"
#include "pipeline/finishing.h"
#include "pipeline/image_pass.h"
#include "pipeline/interrupt.h"
#include "pipeline/stage_clock.h"
#include "pipeline/survey_run.h"
#include "stages/ingest.h"
#include "stages/orient.h"

namespace trunnion {
namespace {

int worker_count(int jobs) {
  const int cores = static_cast<int>(std::thread::hardware_concurrency());
  return jobs > 0 ? jobs : std::max(1, cores);
}

// One thread budget: oneTBB's workers are bounded and OpenCV starts none of its own.
class ThreadBudget {
 public:
  explicit ThreadBudget(int jobs)
      : control_(tbb::global_control::max_allowed_parallelism, static_cast<std::size_t>(jobs)),
        opencv_(cv::getNumThreads()) {
    cv::setNumThreads(1);
  }
  ~ThreadBudget() { cv::setNumThreads(opencv_); }
  ThreadBudget(const ThreadBudget&) = delete;
  ThreadBudget& operator=(const ThreadBudget&) = delete;

 private:
  tbb::global_control control_;
  int opencv_;
};

void append(Findings& to, const Findings& from) {
  to.insert(to.end(), from.begin(), from.end());
}

std::vector<StationImage> run_ingest(const Workspace& workspace, Journal& journal,
                                     Progress& progress, SetOutcome& outcome) {
  const StageClock clock(outcome.seconds, "ingest");
  progress.start("ingest");
  IngestResult ingested =
      ingest(workspace.root, workspace.file.specimen, workspace.file.settings,
             [&journal](const fs::path& file) { return journal.input_hash(file); });
  progress.finish(
      fmt::format("{} of {} stations", ingested.images.size(), ingested.stations_expected));
  append(outcome.findings, ingested.findings);
  outcome.stations_expected = ingested.stations_expected;
  outcome.images_found = static_cast<int>(ingested.images.size());
  return ingested.images;
}

Camera source_camera(const Workspace& workspace, const std::vector<StationImage>& images,
                     Findings& findings) {
  const ImageInfo& info = images.front().info;
  const Setup& setup = workspace.setup;
  if (info.width_px != setup.width_px || info.height_px != setup.height_px) {
    throw data_error(fmt::format(
        "{}: the images are {} x {} pixels, but the setup {} has body.width_px = {} and "
        "body.height_px = {}; correct the setup or choose the one these images were shot with.",
        (workspace.root / "specimen.toml").string(), info.width_px, info.height_px, setup.name,
        setup.width_px, setup.height_px));
  }
  if (workspace.record && workspace.record->lens) return workspace.record->lens->camera;
  findings.push_back(
      {Severity::doubt, "undistort", "",
       fmt::format("The lens of setup \"{}\" is not calibrated: principal distance and distortion "
                   "are nominal.",
                   setup.name),
       "Calibrate it with images of a checkerboard (trunnion calibrate lens)."});
  return setup.nominal_camera();
}

std::vector<OrientStation> orient_stations(const std::vector<ImageItem>& items) {
  std::vector<OrientStation> stations;
  for (const ImageItem& item : items) {
    const StationImage& s = item.station;
    stations.push_back(
        {s.name, s.ring, s.ring_index, s.station, s.stage_angle, s.tilt, s.reference_mm});
  }
  return stations;
}

Scene scene_of(const Workspace& workspace, const UndistortMap& map, const OrientResult& oriented,
               const std::vector<ImageItem>& items) {
  Scene scene;
  scene.title = workspace.file.specimen.title;
  scene.setup_name = workspace.setup.name;
  scene.camera = map.to;
  scene.source_camera = map.from;
  scene.pixel_pitch_um = workspace.setup.pixel_pitch_um;
  scene.lens_calibrated = workspace.record && workspace.record->lens;
  scene.axis_calibrated = oriented.axis_calibrated;
  scene.calibration_hash = workspace.record ? workspace.record->hash : "";
  scene.views = oriented.views;
  for (std::size_t i = 0; i < items.size(); ++i) {
    View& view = scene.views[i];
    const std::string prefix = "prepared/";
    view.image_file = items[i].image_path().substr(prefix.size());
    if (workspace.file.settings.mask.enabled) {
      view.mask_file =
          mask_path(items[i].station, workspace.file.settings.output).substr(prefix.size());
    }
    view.source_file = items[i].station.source;
  }
  return scene;
}

std::vector<ImageItem> items_of(const std::vector<StationImage>& images) {
  std::vector<ImageItem> items(images.size());
  for (std::size_t i = 0; i < images.size(); ++i) items[i].station = images[i];
  return items;
}

// The report's date: SOURCE_DATE_EPOCH where set, so that runs can be compared byte by byte.
std::string source_date() {
  const char* epoch = std::getenv("SOURCE_DATE_EPOCH");
  const std::time_t now = epoch != nullptr ? std::strtoll(epoch, nullptr, 10) : std::time(nullptr);
  return fmt::format("{:%Y-%m-%dT%H:%M:%SZ}", fmt::gmtime(now));
}

std::vector<CaptureMeasure> measures_of(const std::vector<ImageItem>& items,
                                        const std::vector<StationImage>& images) {
  std::vector<CaptureMeasure> measures;
  for (std::size_t i = 0, k = 0; i < items.size(); ++i) {  // items: images less the faulty ones
    while (images[k].name != items[i].station.name) ++k;
    measures.push_back({k, items[i].result.mask, items[i].result.view});
  }
  return measures;
}

// As much of a report as its judgement needs before anything was prepared.
ReportData capture_data(const Workspace& workspace, const std::vector<StationImage>& images,
                        const SetOutcome& outcome) {
  ReportData data;
  data.title = outcome.title;
  data.findings = outcome.findings;
  for (const StationImage& image : images) {
    ReportView view;
    view.name = image.name;
    view.ring = image.ring;
    view.station = image.station;
    view.stage_angle = image.stage_angle;
    view.source_file = image.source;
    data.views.push_back(std::move(view));
  }
  add_rings(data, workspace.file.specimen);
  return data;
}

// At most, as if nothing of it could be compressed.
std::uintmax_t bytes_to_write(const std::vector<StationImage>& images) {
  std::uintmax_t bytes = 0;
  for (const StationImage& image : images) {
    const ImageInfo& info = image.info;
    const auto pixels =
        static_cast<std::uintmax_t>(info.width_px) * static_cast<std::uintmax_t>(info.height_px);
    bytes += pixels * static_cast<std::uintmax_t>(info.channels * info.bits / 8);
  }
  return bytes;
}

void drop_faulty(std::vector<ImageItem>& items, const Workspace& workspace, Findings& findings) {
  for (const ImageItem& item : items) append(findings, item.result.findings);
  std::erase_if(items, [](const ImageItem& item) { return item.faulty; });
  if (items.empty()) {
    throw data_error(fmt::format("{}: not one image could be prepared; the first cause: {}",
                                 workspace.root.string(),
                                 findings.empty() ? "unknown" : findings.back().what));
  }
}

template <typename Outcome>
Outcome outcome_of(const Workspace& workspace) {
  Outcome outcome;
  outcome.root = workspace.root;
  outcome.title = workspace.file.specimen.title;
  append(outcome.findings, workspace.findings);
  return outcome;
}

PrepareOutcome prepare_set(const Workspace& workspace, const PrepareOptions& options,
                           Progress& progress) {
  auto outcome = outcome_of<PrepareOutcome>(workspace);
  const int jobs = worker_count(options.jobs);
  Journal journal(workspace.journal());
  OutputStore outputs(journal, workspace.root, options.full_check);

  std::vector<StationImage> images = run_ingest(workspace, journal, progress, outcome);
  const Camera camera = source_camera(workspace, images, outcome.findings);
  output_type(images.front(), workspace.file.settings.output);
  DecodedImages decoded(workspace.state(), bytes_to_write(images));
  const SurveyRun surveyed = run_survey(workspace, images, journal, &decoded, progress, outcome);
  outcome.spots = surveyed.result.spots.size();
  // What many stations needed is of other sizes than what follows, and more.
  if (static_cast<int>(surveyed.result.images.size()) > workspace.file.settings.survey.stations) {
    return_freed_memory();
  }

  const UndistortMap map = undistort_map(camera, workspace.file.settings.undistort);
  std::vector<ImageItem> items = items_of(images);
  {
    const StageClock clock(outcome.seconds, "repair, mask, undistort");
    run_image_pass(items, {workspace, surveyed.result, surveyed.fingerprint, map, journal, outputs,
                           decoded, progress, jobs});
  }
  drop_faulty(items, workspace, outcome.findings);
  outcome.images_prepared = static_cast<int>(items.size());
  outcome.images_reused = static_cast<int>(
      std::count_if(items.begin(), items.end(), [](const auto& item) { return item.reused; }));

  const CaptureCheck checked = check_capture(workspace, images, measures_of(items, images));
  append(outcome.findings, checked.findings);

  const OrientResult oriented =
      orient(orient_stations(items), workspace.file.specimen, workspace.setup,
             workspace.record ? &*workspace.record : nullptr);
  append(outcome.findings, oriented.findings);
  outcome.scene = scene_of(workspace, map, oriented, items);
  finish_set({workspace, surveyed.result, items, oriented.rings, checked.looks, journal, outputs,
              progress, jobs, source_date()},
             outcome);
  return outcome;
}

CheckOutcome check_set(const Workspace& workspace, const PrepareOptions& options,
                       Progress& progress) {
  auto outcome = outcome_of<CheckOutcome>(workspace);
  Journal journal(workspace.journal());
  std::vector<StationImage> images = run_ingest(workspace, journal, progress, outcome);
  source_camera(workspace, images, outcome.findings);
  outcome.survey = run_survey(workspace, images, journal, nullptr, progress, outcome).result;
  std::vector<std::size_t> which = outcome.survey.images;
  if (options.every_image) {
    which.resize(images.size());
    std::iota(which.begin(), which.end(), std::size_t{0});
  }
  const CloserLook closer = look_closer(workspace, images, which, outcome.survey, progress);
  append(outcome.findings, closer.findings);
  const CaptureCheck checked = check_capture(workspace, images, closer.measures);
  append(outcome.findings, checked.findings);
  for (std::size_t i = 0; i < which.size(); ++i) {
    outcome.looked_at.push_back(
        {images[which[i]].source, checked.looks[i], closer.measures[i].view});
  }
  outcome.judgement = judge(capture_data(workspace, images, outcome));
  return outcome;
}

}  // namespace

PrepareOutcome prepare(const fs::path& folder, const PrepareOptions& options, Progress& progress) {
  const Workspace workspace = open_workspace(folder, options.workspace);
  const WorkspaceLock lock(workspace);
  const std::vector<fs::path> folders{workspace.prepared() / "images",
                                      workspace.prepared() / "masks", workspace.prepared(),
                                      workspace.state() / "encoded"};
  for (const fs::path& each : folders) remove_leftovers(each);
  const InterruptGuard guard(folders);
  const ThreadBudget budget(worker_count(options.jobs));
  initialise_metadata();
  return with_sound_journal(workspace.journal(),
                            [&] { return prepare_set(workspace, options, progress); });
}

CheckOutcome check(const fs::path& folder, const PrepareOptions& options, Progress& progress) {
  const Workspace workspace = open_workspace(folder, options.workspace);
  const WorkspaceLock lock(workspace);
  const InterruptGuard guard({});
  const ThreadBudget budget(worker_count(options.jobs));
  return with_sound_journal(workspace.journal(),
                            [&] { return check_set(workspace, options, progress); });
}

}  // namespace trunnion
