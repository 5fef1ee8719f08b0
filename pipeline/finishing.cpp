#include "pipeline/finishing.h"

#include <fmt/format.h>

#include "core/files.h"
#include "pipeline/fingerprint.h"
#include "pipeline/finish_images.h"
#include "pipeline/finished_set.h"
#include "pipeline/image_record.h"
#include "pipeline/interrupt.h"
#include "pipeline/report_data.h"
#include "pipeline/stage_clock.h"
#include "stages/export_scene.h"
#include "stages/mask_confidence.h"
#include "stages/refine.h"
#include "stages/report.h"

namespace trunnion {
namespace {

void append(Findings& to, const Findings& from) {
  to.insert(to.end(), from.begin(), from.end());
}

void run_refine(const Finishing& set, PrepareOutcome& outcome) {
  const StageClock clock(outcome.seconds, "refine");
  set.progress.start("refine");
  if (!set.workspace.file.settings.refine.enabled) {
    set.progress.finish("off by setting");
    return;
  }
  const FeatureReader features = [&set](std::size_t view) {
    check_interrupt();
    return features_from_bytes(recorded_features(set.journal, set.items[view]));
  };
  RefineResult refined =
      refine(outcome.scene, set.rings, features, set.workspace.file.settings.refine);
  append(outcome.findings, refined.findings);
  outcome.scene = refined.scene;
  outcome.alignment = refined.sentence;
  set.progress.finish(refined.sentence);
}

void run_export(const Finishing& set, PrepareOutcome& outcome) {
  const StageClock clock(outcome.seconds, "export");
  set.progress.start("export");
  const auto thumbnail = [&](std::size_t view) {
    const std::string pictures = recorded_pictures(set.journal, set.items[view]);
    return pictures.empty() ? std::string() : unpack_thumbnails(pictures).small_jpeg;
  };
  const ExportResult exported = export_scene(outcome.scene, set.workspace.prepared(), thumbnail,
                                             set.workspace.file.settings.output);
  append(outcome.findings, exported.findings);
  for (const fs::path& file : exported.files) {
    const std::string relative = "prepared/" + file.generic_string();
    set.outputs.record(relative, "export");
    outcome.outputs.push_back(relative);
  }
  set.progress.finish(fmt::format("{} files", exported.files.size()));
}

// Silhouettes are compared only under poses that deserve it: nominal geometry would blame masks
// for its own errors.
MaskConfidence run_confidence(const Finishing& set, PrepareOutcome& outcome) {
  const StageClock clock(outcome.seconds, "mask confidence");
  if (!set.workspace.file.settings.mask.enabled) return {};
  set.progress.start("mask confidence");
  const bool posed = outcome.scene.refined || outcome.scene.axis_calibrated;
  std::vector<MaskView> views;
  for (std::size_t i = 0; i < set.items.size(); ++i) {
    const View& view = outcome.scene.views[i];
    const ImageResult& result = set.items[i].result;
    views.push_back({view.source_file, view.ring, view.stage_angle, result.mask,
                     posed ? std::optional<Pose>(view.pose) : std::nullopt, result.user_mask,
                     result.before_subtraction});
  }
  MaskConfidence confidence = mask_confidence(views, outcome.scene.source_camera);
  append(outcome.findings, confidence.findings);
  set.progress.finish(confidence.compared ? fmt::format("silhouettes agree to {:.1f} %",
                                                        100.0 * confidence.mean_agreement)
                                          : std::string());
  return confidence;
}

void run_report(const Finishing& set, PrepareOutcome& outcome, const MaskConfidence& confidence) {
  const StageClock clock(outcome.seconds, "report");
  set.progress.start("report");
  const ReportData data = report_data(set, outcome, confidence);
  outcome.judgement = judge(data);
  write_report(data, set.workspace.prepared() / "report");
  set.outputs.record_folder("prepared/report", "report");
  set.progress.finish();
}

}  // namespace

void finish_set(const Finishing& set, PrepareOutcome& outcome) {
  const std::string fingerprint = set_fingerprint(set, outcome);
  if (restore_finished(set, fingerprint, outcome)) return;
  run_refine(set, outcome);
  check_interrupt();
  const MaskConfidence confidence = run_confidence(set, outcome);
  {
    const StageClock clock(outcome.seconds, "annotate");
    finish_images(set, outcome);
  }
  run_export(set, outcome);
  run_report(set, outcome, confidence);
  set.outputs.remove_stale();
  record_finished(set, fingerprint, outcome);
}

}  // namespace trunnion
