#include "pipeline/man_pages.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>

#include "pipeline/command_tree.h"

namespace trunnion {
namespace {

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

std::string page_name(const CLI::App& command) {
  std::string name = full_name(command);
  std::replace(name.begin(), name.end(), ' ', '-');
  return name;
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
  for (const std::string& name : names_of(option)) {
    names += fmt::format("{}\\fB{}\\fR", names.empty() ? "" : ", ", troff(name));
  }
  const std::string value = value_of(option);
  if (!value.empty() && !option.get_positional()) {
    names += fmt::format(" \\fI{}\\fR", troff(value));
  }
  std::string text = troff(option.get_description());
  if (!option.get_default_str().empty() && takes_value(option)) {
    text += fmt::format(" (default: {})", troff(option.get_default_str()));
  }
  return fmt::format(".TP\n{}\n{}\n", names, text);
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
)";

constexpr const char* kProgramEnding = R"(.SH ENVIRONMENT
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

// The pages above, below and beside a command.
std::string see_also(const CLI::App& command) {
  std::vector<std::string> names;
  for (const CLI::App* up = command.get_parent(); up != nullptr; up = up->get_parent()) {
    names.push_back(page_name(*up));
  }
  for (const CLI::App* inner : commands_of(command)) names.push_back(page_name(*inner));
  std::string text;
  for (const std::string& name : names) {
    text += fmt::format("{}.BR {} (1)", text.empty() ? "" : " ,\n", troff(name));
  }
  return ".SH SEE ALSO\n" + text + "\n";
}

ManPage page_of(const CLI::App& command) {
  const bool program = command.get_parent() == nullptr;
  const std::string name = page_name(command);
  std::string title = name;
  std::transform(title.begin(), title.end(), title.begin(),
                 [](unsigned char c) { return static_cast<char>(std::toupper(c)); });
  std::string text = fmt::format(
      ".TH {} 1 \"\" \"trunnion {}\" \"User Commands\"\n.SH NAME\n{} \\- {}\n"
      ".SH SYNOPSIS\n{}.SH DESCRIPTION\n{}.\n",
      troff(title), TRUNNION_VERSION, troff(name), troff(command.get_description()),
      synopsis(command), troff(command.get_description()));
  if (!command.get_footer().empty()) text += ".PP\n" + troff(command.get_footer()) + "\n";
  text += ".SH OPTIONS\n";
  for (const bool positional : {true, false}) {
    for (const CLI::Option* option : options_of(command, positional)) text += option_entry(*option);
  }
  if (const auto inner = commands_of(command); !inner.empty()) {
    text += ".SH COMMANDS\n";
    for (const CLI::App* each : inner) {
      text +=
          fmt::format(".TP\n.B {}\n{}.\n", troff(each->get_name()), troff(each->get_description()));
    }
  }
  text += kEnding;
  if (program) text += kProgramEnding;
  return {name, text + see_also(command)};
}

void collect(const CLI::App& command, std::vector<ManPage>& pages) {
  pages.push_back(page_of(command));
  for (const CLI::App* inner : commands_of(command)) collect(*inner, pages);
}

}  // namespace

std::vector<ManPage> man_pages(const CLI::App& program) {
  std::vector<ManPage> pages;
  collect(program, pages);
  return pages;
}

}  // namespace trunnion
