#include "pipeline/completions.h"

#include <fmt/format.h>

#include <vector>

#include "pipeline/command_tree.h"

namespace trunnion {
namespace {

std::string replaced(const std::string& text, char what, const std::string& by) {
  std::string out;
  for (const char c : text) out += c == what ? by : std::string(1, c);
  return out;
}

// A word in single quotes of a POSIX-like shell.
std::string quoted(const std::string& text) {
  return "'" + replaced(text, '\'', "'\\''") + "'";
}

std::string joined(const std::vector<std::string>& words) {
  std::string text;
  for (const std::string& word : words) text += (text.empty() ? "" : " ") + word;
  return text;
}

// One line for each command below `app`, made by `line`(path before, name).
template <typename Line>
std::string each_command(const CLI::App& app, const Line& line) {
  std::string text;
  for (const CLI::App* command : commands_of(app)) {
    text += line(full_name(app), command->get_name());
    text += each_command(*command, line);
  }
  return text;
}

void bash_cases(const CLI::App& app, std::string& words, std::string& values) {
  const std::string path = full_name(app);
  std::vector<std::string> offered;
  for (const CLI::App* command : commands_of(app)) offered.push_back(command->get_name());
  for (const CLI::Option* option : options_of(app, false)) {
    const std::vector<std::string> names = names_of(*option);
    offered.insert(offered.end(), names.begin(), names.end());
    if (!takes_value(*option)) continue;
    for (const std::string& name : names) {
      values += fmt::format("    '{} {}') words={}; value=1 ;;\n", path, name,
                            quoted(joined(choices_of(*option))));
    }
  }
  words += fmt::format("    '{}') words={} ;;\n", path, quoted(joined(offered)));
  for (const CLI::App* command : commands_of(app)) bash_cases(*command, words, values);
}

std::string path_case(const std::string& path, const std::string& name) {
  return fmt::format("      '{0} {1}') path='{0} {1}' ;;\n", path, name);
}

// 'name:description' for zsh's _describe.
std::string described(const std::string& name, const std::string& description) {
  const std::string line = replaced(description, '\n', " ");
  return quoted(replaced(name, ':', "\\:") + ":" + line);
}

void zsh_cases(const CLI::App& app, std::string& words, std::string& values) {
  const std::string path = full_name(app);
  std::string offered;
  for (const CLI::App* command : commands_of(app)) {
    offered += " " + described(command->get_name(), command->get_description());
  }
  for (const CLI::Option* option : options_of(app, false)) {
    for (const std::string& name : names_of(*option)) {
      offered += " " + described(name, option->get_description());
      if (!takes_value(*option)) continue;
      const std::vector<std::string> choices = choices_of(*option);
      values += fmt::format("    {}) {}; return ;;\n", quoted(fmt::format("{} {}", path, name)),
                            choices.empty() ? "_files" : "compadd -- " + joined(choices));
    }
  }
  words += fmt::format("    {}) offered=({} ) ;;\n", quoted(path), offered);
  for (const CLI::App* command : commands_of(app)) zsh_cases(*command, words, values);
}

// In fish only \ and ' are special within single quotes.
std::string fish_quoted(const std::string& text) {
  const std::string line = replaced(replaced(text, '\n', " "), '\\', "\\\\");
  return "'" + replaced(line, '\'', "\\'") + "'";
}

std::string fish_lines(const CLI::App& app) {
  const std::string start =
      fmt::format("complete -c trunnion -n '__trunnion_at \"{}\"'", full_name(app));
  std::string text;
  for (const CLI::App* command : commands_of(app)) {
    text += fmt::format("{} -f -a {} -d {}\n", start, command->get_name(),
                        fish_quoted(command->get_description()));
  }
  for (const CLI::Option* option : options_of(app, false)) {
    std::string line = start;
    for (const std::string& name : option->get_snames()) line += " -s " + name;
    for (const std::string& name : option->get_lnames()) line += " -l " + name;
    const std::vector<std::string> choices = choices_of(*option);
    if (!choices.empty()) {
      line += " -x -a " + fish_quoted(joined(choices));
    } else if (takes_value(*option)) {
      line += " -r";
    }
    text += line + " -d " + fish_quoted(option->get_description()) + "\n";
  }
  for (const CLI::App* command : commands_of(app)) text += fish_lines(*command);
  return text;
}

}  // namespace

std::string bash_completion(const CLI::App& program) {
  std::string words;
  std::string values;
  bash_cases(program, words, values);
  return fmt::format(R"(# bash completion for {0}, written by "{0} docs".
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
                     program.get_name(), each_command(program, path_case), words, values);
}

std::string zsh_completion(const CLI::App& program) {
  std::string words;
  std::string values;
  zsh_cases(program, words, values);
  // In zsh "path" is the search path itself, so the command's words have another name.
  std::string paths = each_command(program, [](const std::string& at, const std::string& name) {
    return fmt::format("      '{0} {1}') at='{0} {1}' ;;\n", at, name);
  });
  return fmt::format(R"(#compdef {0}
# zsh completion for {0}, written by "{0} docs".
_{0}() {{
  local at='{0}' word
  local -a offered
  for word in "${{(@)words[2,CURRENT-1]}}"; do
    case "$at $word" in
{1}    esac
  done
  case "$at ${{words[CURRENT-1]}}" in
{3}  esac
  case "$at" in
{2}  esac
  _describe -t words {0} offered || _files
}}
_{0} "$@"
)",
                     program.get_name(), paths, words, values);
}

std::string fish_completion(const CLI::App& program) {
  std::string cases;
  each_command(program, [&cases](const std::string& at, const std::string& name) {
    cases += fmt::format(" {}", fish_quoted(at + " " + name));
    return std::string{};
  });
  return fmt::format(R"(# fish completion for {0}, written by "{0} docs".
function __{0}_at --description 'Whether the words so far end in this command'
    set -l path {0}
    for word in (commandline -opc)[2..-1]
        switch "$path $word"
            case{1}
                set path "$path $word"
        end
    end
    test "$path" = "$argv[1]"
end
{2})",
                     program.get_name(), cases, fish_lines(program));
}

}  // namespace trunnion
