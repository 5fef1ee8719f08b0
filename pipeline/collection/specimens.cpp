#include "pipeline/collection/specimens.h"

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <map>
#include <set>
#include <tuple>

#include "core/error.h"
#include "pipeline/collection/names.h"
#include "pipeline/workspace_lock.h"

namespace trunnion::collection {
namespace {

int stations_of(const Specimen& specimen) {
  int stations = 0;
  for (const Ring& ring : specimen.rings) stations += ring.stations;
  return stations;
}

void describe(SpecimenState& state, const Workspace& workspace) {
  const Specimen& specimen = workspace.file.specimen;
  state.title = specimen.title;
  state.record = specimen.record;
  state.setup = workspace.setup.name;
  state.setup_file = specimen.setup_file.string();
  if (workspace.record) state.calibration = workspace.record->hash;
  state.megapixels = 1e-6 * workspace.setup.width_px * workspace.setup.height_px;
  state.stations = stations_of(specimen);
}

SpecimenState state_of(const Collection& collection, const std::string& name) {
  SpecimenState state;
  state.name = name;
  const fs::path folder = collection.root() / name;
  state.last = read_last_run(folder);
  try {
    const Workspace workspace = open_workspace(folder);
    describe(state, workspace);
    if (const auto holder = workspace_holder(folder)) {
      state.state = State::running;
      state.why = *holder;
      return state;
    }
    if (!state.last) return state;
    if (!is_current(workspace, *state.last)) {
      state.state = State::changed;
    } else if (state.last->finished) {
      state.state = State::finished;
    } else {
      state.state = State::failed;
      state.why = state.last->sentence;
    }
  } catch (const std::exception& error) {  // whatever it is, the others are looked at
    state.state = State::failed;
    state.why = error.what();
    if (state.title.empty()) state.title = fs::path(name).filename().string();
  }
  return state;
}

Finding doubt(const std::string& file, const std::string& what, const std::string& remedy) {
  return {Severity::doubt, "record", file, what, remedy};
}

void find_doubled(const std::vector<SpecimenState>& specimens, Findings& findings) {
  std::map<std::tuple<std::string, std::string, std::string>, std::vector<std::string>> by_number;
  std::vector<std::string> missing;
  for (const SpecimenState& each : specimens) {
    const SpecimenRecord& record = each.record;
    if (each.setup.empty()) continue;  // could not be opened: its record is not known
    if (record.catalogue_number.empty()) {
      missing.push_back(each.name);
    } else {
      by_number[{record.institution, record.collection, record.catalogue_number}].push_back(
          each.name);
    }
  }
  if (!missing.empty()) {
    findings.push_back(doubt(
        "",
        fmt::format(
            "{} without a catalogue number: {}.",
            missing.size() == 1 ? "1 specimen is" : fmt::format("{} specimens are", missing.size()),
            some_of(missing)),
        "Give it in the collection's table or as catalogue_number in [record] of specimen.toml."));
  }
  for (const auto& [number, names] : by_number) {
    if (names.size() == 1) continue;
    findings.push_back(doubt("",
                             fmt::format("The catalogue number {} stands for {} specimens: {}.",
                                         std::get<2>(number), names.size(), some_of(names)),
                             "Correct the number of all but one."));
  }
}

void find_rows(const Collection& collection, const std::vector<SpecimenState>& specimens,
               Findings& findings) {
  const std::string file = collection.records_file.string();
  std::set<const RecordRow*> used;
  for (const SpecimenState& each : specimens) {
    used.insert(collection.row_of(each.name, each.record.catalogue_number));
  }
  std::vector<std::string> unused;
  std::map<std::string, std::vector<std::size_t>> lines;
  for (const RecordRow& row : collection.rows) {
    const std::string key =
        row.workspace.empty() ? row.record.catalogue_number : "workspace " + row.workspace;
    lines[key].push_back(row.line);
    if (lines[key].size() == 1 && !used.contains(&row))
      unused.push_back(key.empty() ? "(empty)" : key);
  }
  for (const auto& [key, rows] : lines) {
    if (rows.size() == 1 || key.empty()) continue;
    findings.push_back(doubt(
        file, fmt::format("Rows {} are all of {}; the first is used.", fmt::join(rows, ", "), key),
        "Remove or correct the others."));
  }
  if (unused.empty()) return;
  findings.push_back(
      doubt(file,
            fmt::format("{} of no specimen: {}.",
                        unused.size() == 1 ? "1 row is" : fmt::format("{} rows are", unused.size()),
                        some_of(unused)),
            "Correct the number or the folder, or leave it for specimens that are still to come."));
}

}  // namespace

const char* name_of(State state) {
  switch (state) {
    case State::finished:
      return "finished";
    case State::to_do:
      return "to do";
    case State::changed:
      return "changed";
    case State::running:
      return "running";
    case State::failed:
      break;
  }
  return "failed";
}

std::vector<SpecimenState> specimens_of(const Collection& collection) {
  const std::vector<std::string> names = collection.find();
  std::vector<SpecimenState> states(names.size());
  // Mostly the file system is waited for.
  tbb::parallel_for(std::size_t{0}, names.size(),
                    [&](std::size_t i) { states[i] = state_of(collection, names[i]); });
  return states;
}

Findings record_findings(const Collection& collection,
                         const std::vector<SpecimenState>& specimens) {
  Findings findings;
  find_doubled(specimens, findings);
  find_rows(collection, specimens, findings);
  return findings;
}

}  // namespace trunnion::collection
