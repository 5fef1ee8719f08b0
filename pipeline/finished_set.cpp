#include "pipeline/finished_set.h"

#include "core/files.h"
#include "core/hash.h"
#include "pipeline/archive.h"
#include "pipeline/fingerprint.h"
#include "pipeline/image_record.h"

namespace trunnion {
namespace {

constexpr const char* kStep = "set";

struct Finished {
  std::string outputs_digest;
  Findings findings;
  Scene scene;
  std::string alignment;
  Judgement judgement;
  std::vector<std::string> outputs;
};

template <typename Archive, typename Matrix>
void archive_matrix(Archive& archive, Matrix& matrix) {
  for (Eigen::Index i = 0; i < matrix.size(); ++i) archive(matrix.data()[i]);
}

template <typename Archive>
void archive_view(Archive& archive, View& view) {
  for (std::string* text :
       {&view.name, &view.image_file, &view.mask_file, &view.source_file, &view.ring}) {
    archive(*text);
  }
  archive(view.station);
  archive(view.stage_angle);
  archive(view.sigma_stage_angle);
  archive(view.tilt);
  archive(view.reference_mm);
  archive(view.sigma_reference_mm);
  for (Pose* pose : {&view.prior, &view.pose}) {
    archive_matrix(archive, pose->R);
    archive_matrix(archive, pose->t);
  }
  archive_matrix(archive, view.prior_covariance);
  archive_matrix(archive, view.covariance);
  archive(view.state);
}

template <typename Archive>
void archive_scene(Archive& archive, Scene& scene) {
  archive(scene.title);
  archive(scene.setup_name);
  archive(scene.camera);
  archive(scene.source_camera);
  archive(scene.pixel_pitch_um);
  archive(scene.lens_calibrated);
  archive(scene.axis_calibrated);
  archive(scene.refined);
  archive(scene.calibration_hash);
  archive.list(scene.views, [](auto& a, View& view) { archive_view(a, view); });
  archive.list(scene.tie_points, [](auto& a, TiePoint& point) {
    archive_matrix(a, point.position_mm);
    archive_matrix(a, point.covariance);
    a(point.rgb);
    a.list(point.observations, [](auto& b, Observation& seen) {
      b(seen.view);
      archive_matrix(b, seen.position_px);
      b(seen.residual_px);
    });
  });
}

template <typename Archive>
void archive_to_do(Archive& archive, std::vector<ToDo>& list) {
  archive.list(list, [](auto& a, ToDo& item) {
    a(item.severity);
    for (std::string* text : {&item.where, &item.view, &item.anchor, &item.what, &item.remedy}) {
      a(*text);
    }
  });
}

template <typename Archive>
void fields(Archive& archive, Finished& finished) {
  archive(finished.outputs_digest);
  archive_findings(archive, finished.findings);
  archive_scene(archive, finished.scene);
  archive(finished.alignment);
  archive(finished.judgement.verdict);
  archive(finished.judgement.sentence);
  archive_to_do(archive, finished.judgement.to_do);
  archive_to_do(archive, finished.judgement.notes);
  archive.list(finished.outputs, [](auto& a, std::string& output) { a(output); });
}

void add_scene(Fingerprint& print, const Scene& scene) {
  Scene priors = scene;
  print.add(to_archive(std::move(priors), [](auto& a, Scene& value) { archive_scene(a, value); }));
}

}  // namespace

std::string set_fingerprint(const Finishing& set, const PrepareOutcome& outcome) {
  const Workspace& workspace = set.workspace;
  Fingerprint print(kStep);
  print.add(workspace.specimen_hash).add(workspace.setup_hash);
  print.add(workspace.record ? workspace.record->hash : std::string());
  for (const TemplateSettings& wanted : workspace.file.settings.output.templates) {
    print.add(hash_file(wanted.file));
  }
  print.add(outcome.stations_expected).add(outcome.images_found);
  print.add(findings_to_bytes(outcome.findings));
  add_scene(print, outcome.scene);
  for (const ImageItem& item : set.items) {
    print.add(item.fingerprint).add(item.station.frames).add(item.station.frame);
    if (item.station.frame.empty()) continue;
    const FileStamp stamp = stamp_of(workspace.root / item.station.frame);
    print.add(stamp.bytes).add(stamp.modified_ns);
  }
  return print.hash();
}

bool restore_finished(const Finishing& set, const std::string& fingerprint,
                      PrepareOutcome& outcome) {
  for (const ImageItem& item : set.items) {
    if (!item.reused) return false;
  }
  const auto recorded = set.journal.find("", kStep, fingerprint);
  if (!recorded) return false;
  auto finished = from_archive<Finished>(
      *recorded, [](auto& archive, Finished& value) { fields(archive, value); });
  if (finished.outputs_digest != set.outputs.digest() || !set.outputs.all_current()) return false;
  outcome.findings = std::move(finished.findings);
  outcome.scene = std::move(finished.scene);
  outcome.alignment = std::move(finished.alignment);
  outcome.judgement = std::move(finished.judgement);
  outcome.outputs = std::move(finished.outputs);
  for (const char* stage : {"refine", "mask confidence", "annotate", "export", "report"}) {
    set.progress.start(stage);
    set.progress.finish("unchanged");
  }
  return true;
}

void record_finished(const Finishing& set, const std::string& fingerprint,
                     const PrepareOutcome& outcome) {
  const Finished finished{set.outputs.digest(), outcome.findings,  outcome.scene,
                          outcome.alignment,    outcome.judgement, outcome.outputs};
  set.journal.record(
      "", kStep, fingerprint,
      to_archive(finished, [](auto& archive, Finished& value) { fields(archive, value); }));
}

}  // namespace trunnion
