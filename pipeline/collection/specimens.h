// The specimens of a collection as they stand: what each workspace says of itself. Nothing is kept
// of it anywhere else.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "config/collection.h"
#include "core/specimen_record.h"
#include "pipeline/last_run.h"

namespace trunnion::collection {

enum class State {
  finished,  // as the last run left it
  to_do,     // no run has come to its end
  changed,   // something changed since the last run; prepare finds out whether it matters
  failed,    // the last run ended with an error, and nothing changed since; or it can't be opened
  running,   // another run has it
};

const char* name_of(State state);

struct SpecimenState {
  std::string name;  // of the workspace, relative to the collection
  State state = State::to_do;
  std::string why;  // of a failure or of who has it
  std::string title;
  SpecimenRecord record;
  std::string setup;        // name
  std::string setup_file;   // absolute
  std::string calibration;  // hash of the record that a run would use now; empty: nominal
  double megapixels = 0;
  int stations = 0;  // that specimen.toml describes
  std::optional<LastRun> last;
};

// All of them, sorted by name.
std::vector<SpecimenState> specimens_of(const Collection& collection);

// What is wrong with the records: numbers that are missing or given twice, rows of the table that
// belong to no specimen.
Findings record_findings(const Collection& collection, const std::vector<SpecimenState>& specimens);

}  // namespace trunnion::collection
