#include "pipeline/set_record.h"

#include "core/hash.h"
#include "pipeline/annotate_images.h"
#include "pipeline/scene_archive.h"
#include "pipeline/set_steps.h"

namespace trunnion {
namespace {

constexpr const char* kSetStep = "set";  // of the journal

}  // namespace

std::string set_fingerprint(const SetRun& set) {
  const Workspace& workspace = set.workspace;
  Fingerprint print(kSetStep);
  print.add(workspace.specimen_hash).add(workspace.setup_hash).add(workspace.review_hash);
  print.add(workspace.record ? workspace.record->hash : std::string());
  print.add(workspace.file.inherited);
  for (const TemplateSettings& wanted : workspace.file.settings.output.templates) {
    print.add(hash_file(wanted.file));
  }
  const PrepareOutcome& outcome = set.outcome;
  print.add(outcome.stations_expected).add(outcome.images_found);
  print.add(findings_to_bytes(outcome.findings));
  print.add(to_archive(outcome.scene, [](auto& a, Scene& scene) { archive_scene(a, scene); }));
  for (const ImageItem& item : set.items) {
    print.add(item.fingerprint);
    for (const auto& [product, fingerprint] : item.prints) print.add(fingerprint);
    print.add(item.station.frames).add(item.station.frame).add(frame_hash(set, item.station));
  }
  return print.hash();
}

bool restore_set(SetRun& set, const std::string& fingerprint) {
  for (const ImageItem& item : set.items) {
    if (!item.reused) return false;
  }
  const auto recorded = set.journal.find("", kSetStep, fingerprint);
  if (!recorded) return false;
  ArchiveReader reader(*recorded);
  std::string outputs_digest;
  reader(outputs_digest);
  PrepareOutcome found = set.outcome;
  archive_findings(reader, found.findings);
  for (const SetStep& step : set_steps(Job::prepare)) step.kept.read(reader, found);
  if (outputs_digest != set.outputs.digest() || !set.outputs.all_current()) return false;
  set.outcome = std::move(found);
  return true;
}

void record_set(const SetRun& set, const std::string& fingerprint) {
  ArchiveWriter writer;
  std::string outputs_digest = set.outputs.digest();
  PrepareOutcome outcome = set.outcome;
  writer(outputs_digest);
  archive_findings(writer, outcome.findings);
  for (const SetStep& step : set_steps(Job::prepare)) step.kept.write(writer, outcome);
  set.journal.record("", kSetStep, fingerprint, writer.bytes);
}

}  // namespace trunnion
