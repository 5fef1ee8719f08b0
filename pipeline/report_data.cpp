#include "pipeline/report_data.h"

#include <algorithm>

#include "core/hash.h"
#include "pipeline/build_facts.h"
#include "pipeline/image_steps.h"
#include "pipeline/set_steps.h"

namespace trunnion {
namespace {

report::ReportView view_of(const SetRun& set, const ImageItem& item, const View& view) {
  report::ReportView result;
  result.name = view.name;
  result.ring = view.ring;
  result.station = view.station;
  result.stage_angle = view.stage_angle;
  result.source_file = view.source_file;
  result.image_file = view.image_file;
  result.mask_file = view.mask_file;
  result.source_hash = item.input_hash;
  for (const ImageStep& step : image_steps()) {
    if (step.report != nullptr) step.report(item, set, result);
  }
  for (const ImageProduct& product : image_products()) {
    if (product.report != nullptr) product.report(item, set, result);
  }
  return result;
}

std::vector<report::ReportFact> settings_of(const Settings& settings) {
  std::vector<report::ReportFact> facts;
  for (const auto& [table, text] : settings.written) {
    facts.push_back({table, text.empty() ? "defaults" : text});
  }
  return facts;
}

std::vector<report::ReportFact> version_facts() {
  std::vector<report::ReportFact> facts;
  for (const auto& [name, version] : versions()) facts.push_back({name, version});
  return facts;
}

}  // namespace

report::ReportData report_data(const SetRun& set) {
  const Workspace& workspace = set.workspace;
  const PrepareOutcome& outcome = set.outcome;
  report::ReportData data;
  data.title = outcome.title;
  data.findings = outcome.findings;
  for (std::size_t i = 0; i < set.items.size(); ++i) {
    data.views.push_back(view_of(set, set.items[i], outcome.scene.views[i]));
  }
  for (const SetStep& step : set_steps(Job::prepare)) {
    if (step.report != nullptr) step.report(set, data);
  }
  for (const RecordTerm& term : kRecordTerms) {
    const std::string& text = outcome.scene.record.*term.field;
    if (!text.empty()) data.record.push_back({term.title, text});
  }
  data.setup_name = workspace.setup.name;
  data.calibration = workspace.record;
  if (workspace.record) {
    data.calibration_mismatches =
        mismatches(*workspace.record, workspace.setup, workspace.file.specimen.tells_reference());
  }
  data.settings = settings_of(workspace.file.settings);
  data.versions = version_facts();
  data.hashes = {{"specimen.toml", workspace.specimen_hash}, {"setup", workspace.setup_hash}};
  if (!workspace.file.inherited.empty()) {
    data.hashes.push_back({"from collection.toml", hash_bytes(workspace.file.inherited)});
  }
  if (workspace.record) data.hashes.push_back({"calibration", workspace.record->hash});
  for (const auto& timed : outcome.seconds) {
    const bool per_image = std::any_of(
        set_steps(Job::prepare).begin(), set_steps(Job::prepare).end(),
        [&](const SetStep& step) { return step.name == timed.first && step.per_image; });
    data.timings.push_back({timed.first, timed.second, per_image ? outcome.images_prepared : 0});
  }
  data.date = set.date;
  return data;
}

report::ReportData check_data(const SetRun& set) {
  report::ReportData data;
  data.prepared = false;
  data.title = set.outcome.title;
  data.findings = set.outcome.findings;
  for (const ingest::StationImage& image : set.images) {
    report::ReportView view;
    view.name = image.name;
    view.ring = image.ring;
    view.station = image.station;
    view.stage_angle = image.stage_angle;
    view.source_file = image.source;
    data.views.push_back(std::move(view));
  }
  report::add_rings(data, set.workspace.file.specimen, set.workspace.review);
  return data;
}

}  // namespace trunnion
