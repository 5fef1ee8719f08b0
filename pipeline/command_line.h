// The command line: one subcommand a file in pipeline/commands/, one list of them here.
//
// Exit codes: 0 done, 1 a file or its content is wrong or a result could not be written, 2 the call
// is wrong, 130 interrupted. Results go to stdout (text, or one JSON object with --json), progress
// and errors to stderr.
#pragma once

#include <CLI/CLI.hpp>
#include <functional>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "core/finding.h"

namespace trunnion {

// Options that commands share: --json and --quiet everywhere, --jobs where threads work.
struct Common {
  bool json = false;
  bool quiet = false;
  int jobs = 0;  // 0: one per core
};

enum class Workers { one, many };

// What a command hands back: the same result as text for people and as JSON for programs.
struct CommandResult {
  std::string text;
  nlohmann::ordered_json json;
  int exit_code = 0;
  // Sentences for stderr with --quiet, which leaves `text` out: why exit_code is not 0.
  std::vector<std::string> errors{};
};

// One sentence per fault, each naming its file.
std::vector<std::string> errors_of(const Findings& findings);

// `command` as it ends where a calibration was not accepted: exit code 1, the faults and a
// sentence.
CommandResult without_calibration(CommandResult command, const Findings& findings);

using Action = std::function<CommandResult(const Common&)>;

// Adds a subcommand to `parent` with the common options; `run` is called after parsing. --jobs is
// offered only where the command has work for many threads.
CLI::App* add_command(CLI::App& parent, const std::string& name, const std::string& summary,
                      Action run, Workers workers = Workers::many);

// Each adds one subcommand (and owns its options). Add a line here and in kCommands.
void add_calibrate(CLI::App& app);
void add_check(CLI::App& app);
void add_collection(CLI::App& app);
void add_demo(CLI::App& app);
void add_desk(CLI::App& app);
void add_docs(CLI::App& app);
void add_gather(CLI::App& app);
void add_hand_over(CLI::App& app);
void add_plan(CLI::App& app);
void add_prepare(CLI::App& app);
void add_report(CLI::App& app);
void add_target(CLI::App& app);
void add_verify(CLI::App& app);

// Added to `calibrate` by add_calibrate.
void add_calibrate_axis(CLI::App& calibrate);
void add_calibrate_joint(CLI::App& calibrate);
void add_calibrate_lens(CLI::App& calibrate);

// Parses and runs; returns the exit code.
int run_command_line(int argc, const char* const* argv);

}  // namespace trunnion
