#include <cstdio>
#include <memory>

#include "pipeline/command_line.h"
#include "pipeline/prepare.h"
#include "pipeline/set_steps.h"

namespace trunnion {
namespace {

struct PrepareCommand {
  std::string workspace;
  std::string calibration;
  std::string captures;
  bool ignore_mismatch = false;
  bool full_check = false;
  bool every_image = false;
};

PrepareOptions prepare_options(const PrepareCommand& options, const Common& common) {
  PrepareOptions result;
  if (!options.calibration.empty()) result.workspace.calibration = options.calibration;
  result.workspace.ignore_mismatch = options.ignore_mismatch;
  if (!options.captures.empty()) result.workspace.captures = options.captures;
  result.full_check = options.full_check;
  result.every_image = options.every_image;
  result.jobs = common.jobs;
  return result;
}

template <typename Outcome>
CommandResult result_of(const Outcome& outcome) {
  CommandResult result{
      format_summary(summary_of(outcome), terminal_traits(stdout)), json_of(outcome),
      outcome.judgement.verdict == report::Verdict::reshoot ? 1 : 0, errors_of(outcome.findings)};
  if (result.errors.empty()) result.errors = {outcome.judgement.sentence};
  return result;
}

void add_workspace_options(CLI::App& command, PrepareCommand& options) {
  command.add_option("workspace", options.workspace, "Folder with specimen.toml")->required();
  command.add_option("--calibration", options.calibration,
                     "Calibration record to use instead of the one beside the setup");
  command.add_flag("--ignore-calibration-mismatch", options.ignore_mismatch,
                   "Use the record even if it does not fit the setup; the report says so");
  command.add_option("--apply-captures", options.captures,
                     "Capture table to use for this run, such as prepared/proposed_captures.csv");
}

}  // namespace

void add_prepare(CLI::App& app) {
  auto options = std::make_shared<PrepareCommand>();
  CLI::App* command = add_command(
      app, "prepare",
      "Make a masked, undistorted set with camera poses from a workspace's fused images",
      [options](const Common& common) {
        Progress progress(shown_steps(Job::prepare), {.quiet = common.quiet || common.json});
        const PrepareOutcome outcome =
            prepare(options->workspace, prepare_options(*options, common), progress);
        progress.close();
        return result_of(outcome);
      });
  add_workspace_options(*command, *options);
  command->add_flag("--full-check", options->full_check,
                    "Compare the hashes of finished outputs, not just size and time stamp");
}

void add_check(CLI::App& app) {
  auto options = std::make_shared<PrepareCommand>();
  CLI::App* command = add_command(
      app, "check", "Check in seconds whether a set is fit for preparing",
      [options](const Common& common) {
        Progress progress(shown_steps(Job::check), {.quiet = common.quiet || common.json});
        const CheckOutcome outcome =
            check(options->workspace, prepare_options(*options, common), progress);
        progress.close();
        return result_of(outcome);
      });
  add_workspace_options(*command, *options);
  command->add_flag("--all", options->every_image,
                    "Check every image closely, not only those of the survey");
}

}  // namespace trunnion
