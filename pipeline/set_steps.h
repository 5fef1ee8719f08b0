// The steps of the set, each declared once, in the order in which they run. The steps of a single
// image (image_steps.h) are one step here.
#pragma once

#include <string>
#include <vector>

#include "pipeline/set_run.h"
#include "pipeline/step.h"
#include "stages/report/report.h"

namespace trunnion {

struct SetStep {
  std::string name;
  bool shown = false;      // on the terminal and among the report's timings
  bool in_check = false;   // check runs it too
  bool per_image = false;  // the report shows its time per image too
  // Set for finishing_steps(): where nothing changed, what all these found comes from the journal
  // at once (set_record.h).
  bool finishing = false;
  SettingsKeys settings{};
  // `own`: name and settings, the beginning of a fingerprint. Returns what to say of the step
  // beside its time.
  std::string (*run)(SetRun&, const Fingerprint& own) = nullptr;
  Kept<PrepareOutcome> kept{};  // of a finishing step; findings are kept for all together
  // Adds what the step found to the report, whose views stand in the order of set.items.
  void (*report)(const SetRun&, report::ReportData&) = nullptr;
};

// The declarations: preparing_steps.cpp, finishing_steps.cpp.
std::vector<SetStep> preparing_steps(Job job);
std::vector<SetStep> finishing_steps();

// Those that a run of this kind takes.
const std::vector<SetStep>& set_steps(Job job);

// Their names as the terminal shows them.
std::vector<std::string> shown_steps(Job job);

// Runs them.
void run_steps(SetRun& set);

}  // namespace trunnion
