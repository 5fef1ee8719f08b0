#include "pipeline/command_docs.h"

#include <fmt/format.h>

#include <algorithm>
#include <vector>

namespace trunnion {
namespace {

// Commands shown to users: those of a hidden group are left out, as --help does.
std::vector<const CLI::App*> commands_of(const CLI::App& app) {
  return app.get_subcommands([](const CLI::App* command) {
    return !command->get_name().empty() && !command->get_group().empty();
  });
}

std::vector<const CLI::Option*> options_of(const CLI::App& app, bool positional) {
  return app.get_options([positional](const CLI::Option* option) {
    return option->get_positional() == positional && !option->get_group().empty();
  });
}

std::string full_name(const CLI::App& app) {
  return app.get_parent() == nullptr ? app.get_name()
                                     : full_name(*app.get_parent()) + " " + app.get_name();
}

// What stands behind an option's name: "{a,b}" of a choice without its braces, else the type;
// CLI11 adds ranges as " in [a - b]".
std::string value_of(const CLI::Option& option) {
  if (option.get_items_expected_max() == 0) return {};
  const std::string type = option.get_type_name();
  const std::size_t open = type.find('{');
  const std::size_t close = type.find('}');
  if (open == std::string::npos || close == std::string::npos || close < open) return type;
  return type.substr(open + 1, close - open - 1);
}

std::vector<std::string> choices_of(const CLI::Option& option) {
  const std::string type = option.get_type_name();
  std::vector<std::string> choices;
  if (type.find('{') == std::string::npos) return choices;
  const std::string list = value_of(option);
  for (std::size_t at = 0; at <= list.size();) {
    const std::size_t comma = std::min(list.find(',', at), list.size());
    choices.push_back(list.substr(at, comma - at));
    at = comma + 1;
  }
  return choices;
}

// Text of troff: no escape, no request, and hyphens that can be searched and copied.
std::string troff(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '\\') {
      out += "\\e";
    } else if (c == '-') {
      out += "\\-";
    } else if (c == '\n') {
      out += "\n.br\n";
    } else {
      if ((c == '.' || c == '\'') && (out.empty() || out.back() == '\n')) out += "\\&";
      out += c;
    }
  }
  return out;
}

std::string synopsis(const CLI::App& command) {
  std::string line = fmt::format(".B {}\n[\\fIoptions\\fR]", troff(full_name(command)));
  for (const CLI::Option* option : options_of(command, true)) {
    const std::string name = fmt::format("\\fI{}\\fR{}", troff(option->get_name(true)),
                                         option->get_items_expected_max() > 1 ? " ..." : "");
    line += option->get_required() ? " " + name : fmt::format(" [{}]", name);
  }
  if (!commands_of(command).empty()) line += " \\fIcommand\\fR";
  return line + "\n";
}

std::string option_entry(const CLI::Option& option) {
  std::string names;
  if (option.get_positional()) names = fmt::format("\\fI{}\\fR", troff(option.get_name(true)));
  for (const std::string& name : option.get_snames()) {
    names += fmt::format("{}\\fB\\-{}\\fR", names.empty() ? "" : ", ", troff(name));
  }
  for (const std::string& name : option.get_lnames()) {
    names += fmt::format("{}\\fB\\-\\-{}\\fR", names.empty() ? "" : ", ", troff(name));
  }
  const std::string value = value_of(option);
  if (!value.empty() && !option.get_positional()) {
    names += fmt::format(" \\fI{}\\fR", troff(value));
  }
  std::string text = troff(option.get_description());
  if (!option.get_default_str().empty() && option.get_items_expected_max() > 0) {
    text += fmt::format(" (default: {})", troff(option.get_default_str()));
  }
  return fmt::format(".TP\n{}\n{}\n", names, text);
}

std::string command_section(const CLI::App& command) {
  std::string text = fmt::format(".SS {}\n{}.\n.PP\n{}", troff(full_name(command)),
                                 troff(command.get_description()), synopsis(command));
  for (const bool positional : {true, false}) {
    for (const CLI::Option* option : options_of(command, positional)) {
      text += option_entry(*option);
    }
  }
  if (!command.get_footer().empty()) text += ".PP\n" + troff(command.get_footer()) + "\n";
  for (const CLI::App* inner : commands_of(command)) text += command_section(*inner);
  return text;
}

constexpr const char* kEnding = R"(.SH EXIT STATUS
.TP
.B 0
Done.
.TP
.B 1
A file or its content is wrong, or the set has a fault; the message names the file and the remedy.
.TP
.B 2
The call is wrong.
.TP
.B 130
Interrupted; finished outputs are kept and a further run goes on from there.
.SH ENVIRONMENT
.TP
.B NO_COLOR
When set and not empty, nothing is coloured.
.SH FILES
.TP
.I specimen.toml
What was shot and how it is prepared; its folder is a workspace.
.TP
.I prepared/report/index.html
What was done and what is doubtful; opens from disk in any browser.
)";

// Words for compgen in single quotes.
std::string quoted(const std::vector<std::string>& words) {
  std::string text;
  for (const std::string& word : words) {
    text += text.empty() ? "" : " ";
    for (const char c : word) text += c == '\'' ? std::string("'\\''") : std::string(1, c);
  }
  return "'" + text + "'";
}

// Options that take a value, so that the word after them is not a command.
std::vector<std::string> names_of(const CLI::Option& option) {
  std::vector<std::string> names;
  for (const std::string& name : option.get_snames()) names.push_back("-" + name);
  for (const std::string& name : option.get_lnames()) names.push_back("--" + name);
  return names;
}

void completion_cases(const CLI::App& app, const std::string& path, std::string& words,
                      std::string& values) {
  std::vector<std::string> offered;
  for (const CLI::App* command : commands_of(app)) offered.push_back(command->get_name());
  for (const CLI::Option* option : options_of(app, false)) {
    const std::vector<std::string> names = names_of(*option);
    offered.insert(offered.end(), names.begin(), names.end());
    if (option->get_items_expected_max() == 0) continue;
    for (const std::string& name : names) {
      values += fmt::format("    '{} {}') words={}; value=1 ;;\n", path, name,
                            quoted(choices_of(*option)));
    }
  }
  words += fmt::format("    '{}') words={} ;;\n", path, quoted(offered));
  for (const CLI::App* command : commands_of(app)) {
    completion_cases(*command, path + " " + command->get_name(), words, values);
  }
}

void collect_paths(const CLI::App& app, const std::string& path, std::string& cases) {
  for (const CLI::App* command : commands_of(app)) {
    const std::string inner = path + " " + command->get_name();
    cases += fmt::format("      '{}') path='{}' ;;\n", inner, inner);
    collect_paths(*command, inner, cases);
  }
}

}  // namespace

std::string man_page(const CLI::App& program) {
  std::string text = fmt::format(
      ".TH TRUNNION 1 \"\" \"trunnion {}\" \"User Commands\"\n.SH NAME\ntrunnion \\- {}\n"
      ".SH SYNOPSIS\n",
      TRUNNION_VERSION, troff(program.get_description()));
  text += ".B trunnion\n\\fIcommand\\fR [\\fIoptions\\fR]\n.SH OPTIONS\n";
  for (const CLI::Option* option : options_of(program, false)) text += option_entry(*option);
  text += ".SH COMMANDS\n";
  for (const CLI::App* command : commands_of(program)) text += command_section(*command);
  return text + kEnding;
}

std::string bash_completion(const CLI::App& program) {
  const std::string& name = program.get_name();
  std::string paths;
  std::string words;
  std::string values;
  collect_paths(program, name, paths);
  completion_cases(program, name, words, values);
  return fmt::format(R"(# bash completion for {0}, written by "{0} docs completion".
_{0}() {{
  local current=${{COMP_WORDS[COMP_CWORD]}} before=${{COMP_WORDS[COMP_CWORD-1]}}
  local path='{0}' words='' value=0 word
  for word in "${{COMP_WORDS[@]:1:COMP_CWORD-1}}"; do
    case "$path $word" in
{1}    esac
  done
  case "$path $before" in
{3}  esac
  if [[ $value = 0 ]]; then
    case "$path" in
{2}    esac
  fi
  # No word offered leaves the field to file names.
  mapfile -t COMPREPLY < <(compgen -W "$words" -- "$current")
}}
complete -o default -F _{0} {0}
)",
                     name, paths, words, values);
}

}  // namespace trunnion
