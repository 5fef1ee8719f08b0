// What is left once the images are done: their final poses, metadata, exports and the report.
#include <fmt/format.h>

#include "core/angle.h"
#include "core/csv.h"
#include "core/files.h"
#include "core/text.h"
#include "pipeline/annotate_images.h"
#include "pipeline/hull_files.h"
#include "pipeline/image_steps.h"
#include "pipeline/interrupt.h"
#include "pipeline/report_data.h"
#include "pipeline/scene_archive.h"
#include "pipeline/set_steps.h"
#include "stages/exports/exports.h"
#include "stages/refine/refine.h"

namespace trunnion {
namespace {

constexpr const char* kProposal = "proposed_captures.csv";

// A capture table (config/capture_table.h) of what the images show.
std::string proposed_table(const SetRun& set) {
  std::string text = "file,ring,station,angle_deg,tilt_deg,reference_mm,frames,frame\n";
  for (const refine::ProposedCapture& row : set.proposal) {
    const ingest::StationImage& image = set.items[row.view].station;
    const Ring& ring = set.workspace.file.specimen.rings.at(image.ring_index);
    const bool own_ring = row.ring == image.ring;
    text += fmt::format(
        "{},{},{},{},{},{},{},{}\n", csv_cell(image.source), csv_cell(row.ring), row.station,
        number_text(degrees(row.stage_angle) * static_cast<int>(ring.turning)),
        own_ring ? number_text(degrees(image.tilt)) : "",
        own_ring && image.reference_mm ? number_text(*image.reference_mm) : "",
        image.frames > 0 ? std::to_string(image.frames) : "", csv_cell(image.frame));
  }
  return text;
}

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
  set.proposal = std::move(refined.proposal);
  return refined.sentence;
}

// Denied its place, and the images don't know another.
bool nowhere(const View& view) {
  constexpr double kAnywhere = 0.5;  // rad
  return view.state == PoseState::contradicted &&
         view.covariance.diagonal().head<3>().maxCoeff() > kAnywhere * kAnywhere;
}

// Silhouettes are compared only under poses that deserve it: nominal geometry would blame masks
// for its own errors, a pose that is anywhere the mask of its image.
std::string run_mask_confidence(SetRun& set, const Fingerprint& /*own*/) {
  if (!set.settings().mask.enabled) return "off by setting";
  const Scene& scene = set.outcome.scene;
  const bool posed = scene.refined || scene.axis_calibrated;
  std::vector<mask_confidence::MaskView> views;
  std::vector<std::size_t> places;  // of `views` in the set
  for (std::size_t i = 0; i < set.items.size(); ++i) {
    const View& view = scene.views[i];
    if (nowhere(view)) continue;
    places.push_back(i);
    const ImageResult& result = set.items[i].result;
    views.push_back({view.source_file, view.ring, view.stage_angle, result.mask,
                     posed ? std::optional<Pose>(view.pose) : std::nullopt, result.by_hand});
  }
  set.confidence = mask_confidence::mask_confidence(views, scene.source_camera);
  set.add(set.confidence.findings);
  std::vector<mask_confidence::MaskScore> scores(set.items.size());
  for (std::size_t k = 0; k < places.size(); ++k) scores[places[k]] = set.confidence.scores[k];
  set.confidence.scores = std::move(scores);
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

// Beside the exports; only a user puts it to use.
void write_proposal(SetRun& set) {
  if (set.proposal.empty()) return;
  write_file(set.workspace.prepared() / kProposal, proposed_table(set));
  const std::string relative = std::string("prepared/") + kProposal;
  set.outputs.record(relative, "export");
  set.outcome.outputs.push_back(relative);
  set.add({{Severity::note, "refine", "",
            fmt::format("{} is a capture table with every image where the images show it; it was "
                        "not used.",
                        relative),
            fmt::format("Check it, then use it: trunnion prepare {0} --apply-captures {0}/{1}",
                        set.workspace.root.string(), relative)}});
}

std::string run_export(SetRun& set, const Fingerprint& /*own*/) {
  const auto thumbnail = [&set](std::size_t view) {
    const std::string pictures = kept_of(kPictures, set.items[view], set);
    return pictures.empty() ? std::string() : report::unpack_thumbnails(pictures).small_jpeg;
  };
  const exports::ExportResult exported =
      exports::export_scene(set.outcome.scene, set.workspace.prepared(), thumbnail,
                            set.settings().output, set.workspace.review);
  set.add(exported.findings);
  for (const fs::path& file : exported.files) {
    const std::string relative = "prepared/" + file.generic_string();
    set.outputs.record(relative, "export");
    set.outcome.outputs.push_back(relative);
  }
  write_proposal(set);
  return fmt::format("{} files", exported.files.size());
}

std::string run_hull(SetRun& set, const Fingerprint& /*own*/) {
  return make_hull(set);
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
       .in_check = true,
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
      {.name = "hull",
       .shown = true,
       .settings = {"hull"},
       .run = run_hull,
       .kept = kept<PrepareOutcome>([](auto& a, PrepareOutcome& o) { a(o.hull); })},
      {.name = "report",
       .shown = true,
       .run = run_report,
       .kept = kept<PrepareOutcome>(
           [](auto& a, PrepareOutcome& o) { archive_judgement(a, o.judgement); })},
  };
}

}  // namespace trunnion
