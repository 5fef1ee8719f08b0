#include "pipeline/finishing.h"

#include <fmt/format.h>

#include "core/angle.h"
#include "core/files.h"
#include "core/text.h"
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

using Proposal = std::vector<ProposedCapture>;

constexpr const char* kProposal = "proposed_captures.csv";

// A capture table (config/capture_table.h) of what the images show.
std::string proposed_table(const Finishing& set, const Proposal& proposal) {
  std::string text = "file,ring,station,angle_deg,tilt_deg,reference_mm,frames,frame\n";
  for (const ProposedCapture& row : proposal) {
    const StationImage& image = set.items[row.view].station;
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

Proposal run_refine(const Finishing& set, PrepareOutcome& outcome) {
  const StageClock clock(outcome.seconds, "refine");
  set.progress.start("refine");
  if (!set.workspace.file.settings.refine.enabled) {
    set.progress.finish("off by setting");
    return {};
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
  return refined.proposal;
}

// Beside the exports; only a user puts it to use.
void write_proposal(const Finishing& set, const Proposal& proposal, PrepareOutcome& outcome) {
  if (proposal.empty()) return;
  write_file(set.workspace.prepared() / kProposal, proposed_table(set, proposal));
  const std::string relative = std::string("prepared/") + kProposal;
  set.outputs.record(relative, "export");
  outcome.outputs.push_back(relative);
  outcome.findings.push_back(
      {Severity::note, "refine", "",
       fmt::format("{} is a capture table with every image where the images show it; it was not "
                   "used.",
                   relative),
       fmt::format("Check it, then use it: trunnion prepare {0} --apply-captures {0}/{1}",
                   set.workspace.root.string(), relative)});
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

// Denied its place, and the images don't know another.
bool nowhere(const View& view) {
  constexpr double kAnywhere = 0.5;  // rad
  return view.state == PoseState::contradicted &&
         view.covariance.diagonal().head<3>().maxCoeff() > kAnywhere * kAnywhere;
}

// Silhouettes are compared only under poses that deserve it: nominal geometry would blame masks
// for its own errors, a pose that is anywhere the mask of its image.
MaskConfidence run_confidence(const Finishing& set, PrepareOutcome& outcome) {
  const StageClock clock(outcome.seconds, "mask confidence");
  if (!set.workspace.file.settings.mask.enabled) return {};
  set.progress.start("mask confidence");
  const bool posed = outcome.scene.refined || outcome.scene.axis_calibrated;
  std::vector<MaskView> views;
  std::vector<std::size_t> places;  // of `views` in the set
  for (std::size_t i = 0; i < set.items.size(); ++i) {
    const View& view = outcome.scene.views[i];
    if (nowhere(view)) continue;
    places.push_back(i);
    views.push_back({view.source_file, view.ring, view.stage_angle, set.items[i].result.mask,
                     posed ? std::optional<Pose>(view.pose) : std::nullopt});
  }
  MaskConfidence confidence = mask_confidence(views, outcome.scene.source_camera);
  append(outcome.findings, confidence.findings);
  std::vector<MaskScore> scores(set.items.size());
  for (std::size_t k = 0; k < places.size(); ++k) scores[places[k]] = confidence.scores[k];
  confidence.scores = std::move(scores);
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
  const Proposal proposal = run_refine(set, outcome);
  check_interrupt();
  const MaskConfidence confidence = run_confidence(set, outcome);
  {
    const StageClock clock(outcome.seconds, "annotate");
    finish_images(set, outcome);
  }
  run_export(set, outcome);
  write_proposal(set, proposal, outcome);
  run_report(set, outcome, confidence);
  set.outputs.remove_stale();
  record_finished(set, fingerprint, outcome);
}

}  // namespace trunnion
