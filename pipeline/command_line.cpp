#include "pipeline/command_line.h"

#include <fmt/format.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <memory>
#include <new>
#include <optional>

#include "config/toml_reader.h"
#include "core/error.h"
#include "pipeline/build_facts.h"
#include "pipeline/text.h"

namespace trunnion {
namespace {

using AddCommand = void(CLI::App&);
constexpr std::array kCommands{
    &add_calibrate, &add_check, &add_collection, &add_demo,   &add_desk,   &add_docs,   &add_gather,
    &add_hand_over, &add_plan,  &add_prepare,    &add_report, &add_target, &add_verify,
};

int exit_code_of(Error::Kind kind) {
  return kind == Error::Kind::usage ? 2 : kind == Error::Kind::interrupted ? 130 : 1;
}

// The result of the command that ran; a program parses one command line.
CommandResult& last_result() {
  static CommandResult result;
  return result;
}
bool& json_wanted() {
  static bool wanted = false;
  return wanted;
}

std::string text_of(const nlohmann::ordered_json& json) {
  return json.dump(2, ' ', false, nlohmann::ordered_json::error_handler_t::replace) + "\n";
}

void report_error(const std::string& sentence, int code) {
  if (json_wanted()) {
    const nlohmann::ordered_json json{{"error", sentence}, {"exit_code", code}};
    show(stdout, text_of(json));
  }
  show(stderr, fmt::format("trunnion: {}\n", sentence));
}

// A word that stands where a command must stand and is none. The library only says that a command
// is missing, and prints the general help where --help follows such a word.
std::optional<std::string> unknown_command(const CLI::App& app, int argc, const char* const* argv) {
  const CLI::App* place = &app;
  for (int i = 1; i < argc; ++i) {
    if (argv[i][0] == '-') continue;  // no option before a command takes a value
    std::vector<std::string> known;
    const CLI::App* next = nullptr;
    for (const CLI::App* each : place->get_subcommands(nullptr)) {
      known.push_back(each->get_name());
      if (known.back() == argv[i]) next = each;
    }
    if (known.empty()) break;
    if (next == nullptr) {
      const std::string near = nearest_word(argv[i], known);
      return fmt::format("\"{}\" is not a command{}; see trunnion --help.", argv[i],
                         near.empty() ? "" : fmt::format(", did you mean \"{}\"", near));
    }
    place = next;
  }
  return std::nullopt;
}

// What was shown is lost where the place it went to could not take it, as a full disk.
int after_output(int code) {
  errno = 0;
  if (std::fflush(stdout) == 0 && std::ferror(stdout) == 0) return code;
  const std::string reason = errno != 0 ? std::strerror(errno) : "no more could be written";
  show(stderr, fmt::format("trunnion: standard output: the result could not be written ({}); run "
                           "again with an output that can take it.\n",
                           reason));
  return code == 0 ? 1 : code;
}

int parse_and_run(int argc, const char* const* argv) {
  CLI::App app{"Plans, calibrates and prepares turntable image sets of small specimens",
               "trunnion"};
  app.set_version_flag("--version", version_text());
  app.require_subcommand(1);
  for (AddCommand* const add : kCommands) add(app);
  try {
    app.parse(argc, argv);
    return last_result().exit_code;
  } catch (const CLI::ParseError& error) {
    const bool help = error.get_exit_code() == 0;  // --help, --version
    const bool command_missing = dynamic_cast<const CLI::RequiredError*>(&error) != nullptr;
    std::optional<std::string> sentence;
    if (help || command_missing) sentence = unknown_command(app, argc, argv);
    if (help && !sentence) return app.exit(error);
    report_error(sentence.value_or(std::string(error.what()) + "; see trunnion --help."), 2);
    return 2;
  } catch (const Error& error) {
    const int code = exit_code_of(error.kind());
    report_error(error.what(), code);
    return code;
  } catch (const std::filesystem::filesystem_error& error) {
    report_error(fmt::format("{}: {}; check permissions and space, then run again.",
                             error.path1().string(), error.code().message()),
                 1);
    return 1;
  } catch (const std::bad_alloc&) {
    report_error("Out of memory; use fewer --jobs or smaller images. Finished outputs are kept.",
                 1);
    return 1;
  } catch (const std::exception& error) {
    report_error(fmt::format("Unexpected failure: {}.", error.what()), 1);
    return 1;
  }
}

}  // namespace

CLI::App* add_command(CLI::App& parent, const std::string& name, const std::string& summary,
                      Action run, Workers workers) {
  CLI::App* command = parent.add_subcommand(name, summary);
  auto common = std::make_shared<Common>();
  command->add_flag("--json", common->json, "Print the result as one JSON object on stdout");
  command->add_flag("--quiet", common->quiet, "No progress, no summary; errors only");
  if (workers == Workers::many) {
    command->add_option("--jobs", common->jobs, "Worker threads; 0: one per core")
        ->check(CLI::Range(0, 1024))
        ->capture_default_str();
  }
  command->callback([common, run = std::move(run)] {
    json_wanted() = common->json;
    last_result() = run(*common);
    const CommandResult& result = last_result();
    if (common->json) {
      show(stdout, text_of(result.json));
    } else if (!common->quiet) {
      show(stdout, result.text);
    } else if (result.exit_code != 0) {  // a failure is never silent
      const bool unicode = locale_is_utf8();
      for (const std::string& error : result.errors) {
        show(stderr, fmt::format("trunnion: {}\n", printable(error, unicode)));
      }
    }
  });
  return command;
}

std::vector<std::string> errors_of(const Findings& findings) {
  std::vector<std::string> errors;
  for (const Finding& finding : findings) {
    if (finding.severity != Severity::fault) continue;
    errors.push_back((finding.file.empty() ? "" : finding.file + ": ") + finding.what + " " +
                     finding.remedy);
  }
  return errors;
}

CommandResult without_calibration(CommandResult command, const Findings& findings) {
  const std::string sentence = "No calibration was written.";
  command.text += sentence + "\n";
  command.exit_code = 1;
  command.errors = errors_of(findings);
  command.errors.push_back(sentence);
  return command;
}

int run_command_line(int argc, const char* const* argv) {
  return after_output(parse_and_run(argc, argv));
}

}  // namespace trunnion
