// A message of a stage to the user about an image or the set. Doubts, warnings and errors of single
// images all have this form in the summary, the report and --json.
#pragma once

#include <string>
#include <vector>

namespace trunnion {

enum class Severity {
  note,   // worth knowing, nothing to do
  doubt,  // the result stands but should be checked
  fault,  // this image or set can't be used as it is
};

struct Finding {
  Severity severity = Severity::note;
  std::string stage;   // name of the stage that found it
  std::string file;    // image or settings file; empty where it concerns the set
  std::string what;    // one sentence: what is wrong, with the value found and the value allowed
  std::string remedy;  // one sentence: what to do
};

using Findings = std::vector<Finding>;

[[nodiscard]] inline const char* name_of(Severity severity) {
  switch (severity) {
    case Severity::note:
      return "note";
    case Severity::doubt:
      return "doubt";
    case Severity::fault:
      return "fault";
  }
  return "fault";
}

}  // namespace trunnion
