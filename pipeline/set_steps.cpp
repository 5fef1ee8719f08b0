#include "pipeline/set_steps.h"

#include <algorithm>

#include "pipeline/interrupt.h"
#include "pipeline/report_data.h"
#include "pipeline/set_record.h"
#include "pipeline/stage_clock.h"

namespace trunnion {
namespace {

std::vector<SetStep> steps_of(Job job) {
  std::vector<SetStep> steps = preparing_steps(job);
  for (SetStep& step : finishing_steps()) {
    step.finishing = true;
    steps.push_back(std::move(step));
  }
  if (job == Job::check) std::erase_if(steps, [](const SetStep& step) { return !step.in_check; });
  return steps;
}

void run_step(SetRun& set, const SetStep& step) {
  check_interrupt();
  const Fingerprint own = fingerprint_of(step.name, step.settings, set.settings());
  if (!step.shown) {
    step.run(set, own);
    return;
  }
  set.progress.start(step.name);
  std::string note;
  {
    const StageClock clock(set.outcome.seconds, step.name);
    note = step.run(set, own);
  }
  set.progress.finish(note);
}

}  // namespace

const std::vector<SetStep>& set_steps(Job job) {
  static const std::vector<SetStep> prepare = steps_of(Job::prepare);
  static const std::vector<SetStep> check = steps_of(Job::check);
  return job == Job::prepare ? prepare : check;
}

std::vector<std::string> shown_steps(Job job) {
  std::vector<std::string> names;
  for (const SetStep& step : set_steps(job)) {
    if (step.shown) names.push_back(step.name);
  }
  return names;
}

void run_steps(SetRun& set) {
  const std::vector<SetStep>& steps = set_steps(set.job);
  if (set.job == Job::check) {
    for (const SetStep& step : steps) run_step(set, step);
    set.outcome.judgement = report::judge(check_data(set));
    return;
  }
  const auto finishing =
      std::find_if(steps.begin(), steps.end(), [](const SetStep& step) { return step.finishing; });
  for (auto step = steps.begin(); step != finishing; ++step) run_step(set, *step);
  const std::string fingerprint = set_fingerprint(set);
  const bool unchanged = restore_set(set, fingerprint);
  for (auto step = finishing; step != steps.end(); ++step) {
    if (!unchanged) {
      run_step(set, *step);
    } else if (step->shown) {
      set.progress.start(step->name);
      set.progress.finish("unchanged");
    }
  }
  if (unchanged) return;
  set.outputs.remove_stale();
  record_set(set, fingerprint);
}

}  // namespace trunnion
