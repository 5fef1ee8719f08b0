// What is left once the images are done: their final poses, metadata, exports and the report.
#include <fmt/format.h>

#include "core/files.h"
#include "pipeline/annotate_images.h"
#include "pipeline/image_steps.h"
#include "pipeline/interrupt.h"
#include "pipeline/report_data.h"
#include "pipeline/scene_archive.h"
#include "pipeline/set_steps.h"
#include "stages/exports/exports.h"
#include "stages/refine/refine.h"

namespace trunnion {
namespace {

std::string run_refine(SetRun& set, const Fingerprint& /*own*/) {
  if (!set.settings().refine.enabled) return "off by setting";
  const refine::FeatureReader features = [&set](std::size_t view) {
    check_interrupt();
    return refine::features_from_bytes(kept_of(kFeatures, set.items[view], set));
  };
  refine::RefineResult refined =
      refine::refine(set.outcome.scene, set.rings, features, set.settings().refine);
  set.add(refined.findings);
  set.outcome.scene = std::move(refined.scene);
  set.outcome.alignment = refined.sentence;
  return refined.sentence;
}

// Silhouettes are compared only under poses that deserve it: nominal geometry would blame masks
// for its own errors.
std::string run_mask_confidence(SetRun& set, const Fingerprint& /*own*/) {
  if (!set.settings().mask.enabled) return "off by setting";
  const Scene& scene = set.outcome.scene;
  const bool posed = scene.refined || scene.axis_calibrated;
  std::vector<mask_confidence::MaskView> views;
  for (std::size_t i = 0; i < set.items.size(); ++i) {
    const View& view = scene.views[i];
    const ImageResult& result = set.items[i].result;
    views.push_back({view.source_file, view.ring, view.stage_angle, result.mask,
                     posed ? std::optional<Pose>(view.pose) : std::nullopt, result.user_mask,
                     result.before_subtraction});
  }
  set.confidence = mask_confidence::mask_confidence(views, scene.source_camera);
  set.add(set.confidence.findings);
  return set.confidence.compared
             ? fmt::format("silhouettes agree to {:.1f} %", 100.0 * set.confidence.mean_agreement)
             : std::string();
}

void report_mask_confidence(const SetRun& set, report::ReportData& data) {
  for (std::size_t i = 0; i < set.confidence.scores.size(); ++i) {
    data.views[i].mask_confidence = set.confidence.scores[i].score;
  }
}

std::string run_annotate(SetRun& set, const Fingerprint& own) {
  annotate_images(set, own);
  return {};
}

std::string run_export(SetRun& set, const Fingerprint& /*own*/) {
  const auto thumbnail = [&set](std::size_t view) {
    const std::string pictures = kept_of(kPictures, set.items[view], set);
    return pictures.empty() ? std::string() : report::unpack_thumbnails(pictures).small_jpeg;
  };
  const exports::ExportResult exported = exports::export_scene(
      set.outcome.scene, set.workspace.prepared(), thumbnail, set.settings().output);
  set.add(exported.findings);
  for (const fs::path& file : exported.files) {
    const std::string relative = "prepared/" + file.generic_string();
    set.outputs.record(relative, "export");
    set.outcome.outputs.push_back(relative);
  }
  return fmt::format("{} files", exported.files.size());
}

std::string run_report(SetRun& set, const Fingerprint& /*own*/) {
  const report::ReportData data = report_data(set);
  set.outcome.judgement = report::judge(data);
  report::write_report(data, set.workspace.prepared() / "report");
  set.outputs.record_folder("prepared/report", "report");
  return {};
}

}  // namespace

std::vector<SetStep> finishing_steps() {
  return {
      {.name = "refine",
       .shown = true,
       .settings = {"refine"},
       .run = run_refine,
       .kept = kept<PrepareOutcome>([](auto& a, PrepareOutcome& o) {
         archive_scene(a, o.scene);
         a(o.alignment);
       })},
      {.name = "mask confidence",
       .shown = true,
       .looks = true,
       .run = run_mask_confidence,
       .report = report_mask_confidence},
      {.name = "annotate",
       .shown = true,
       .per_image = true,
       .settings = {"output.sidecar", "output.keep_lens_focal_length", "output.frame"},
       .run = run_annotate},
      {.name = "export",
       .shown = true,
       .settings = {"output.template"},
       .run = run_export,
       .kept = kept<PrepareOutcome>([](auto& a, PrepareOutcome& o) {
         a.list(o.outputs, [](auto& b, std::string& output) { b(output); });
       })},
      {.name = "report",
       .shown = true,
       .run = run_report,
       .kept = kept<PrepareOutcome>(
           [](auto& a, PrepareOutcome& o) { archive_judgement(a, o.judgement); })},
  };
}

}  // namespace trunnion
