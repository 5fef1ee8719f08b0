#include "pipeline/command_docs.h"

#include <gmock/gmock.h>

#include <array>
#include <cstdio>
#include <fstream>
#include <sstream>

#include "tests/support/open_data.h"

namespace trunnion {
namespace command_docs_test {

using testing::ElementsAre;
using testing::HasSubstr;
using testing::Not;
using testing::UnorderedElementsAre;

std::string output_of(const std::string& command) {
  std::array<char, 4096> buffer{};
  std::string text;
  std::FILE* pipe = ::popen(command.c_str(), "r");
  while (const std::size_t got = std::fread(buffer.data(), 1, buffer.size(), pipe)) {
    text.append(buffer.data(), got);
  }
  ::pclose(pipe);
  return text;
}

// What bash would offer after these words, the last of which is being typed.
std::vector<std::string> offered(const std::vector<std::string>& words) {
  const test::TemporaryFolder folder;
  const std::string script = (folder.path() / "completion").string();
  std::ofstream(script) << test::run_trunnion({"docs", "completion"}).out;
  std::string list;
  for (const std::string& word : words) list += " '" + word + "'";
  const std::string text = output_of(
      "bash -c 'source \"$0\"; COMP_WORDS=(\"$@\"); COMP_CWORD=$((${#COMP_WORDS[@]}-1)); "
      "_trunnion; "
      "printf \"%s\\n\" \"${COMPREPLY[@]}\"' '" +
      script + "'" + list);
  std::vector<std::string> lines;
  std::istringstream in(text);
  for (std::string line; std::getline(in, line);) {
    if (!line.empty()) lines.push_back(line);
  }
  return lines;
}

TEST(CommandDocs, ManPageHasEveryCommandAndOptionOfHelp) {
  const std::string page = test::run_trunnion({"docs", "man"}).out;
  const std::string help = test::run_trunnion({"--help"}).out;
  std::istringstream lines(help.substr(help.find("Subcommands:")));
  std::string line;
  std::getline(lines, line);
  int commands = 0;
  while (std::getline(lines, line) && line.starts_with("  ")) {
    std::string name;
    std::istringstream(line) >> name;
    EXPECT_THAT(page, HasSubstr(".SS trunnion " + name + "\n")) << name;
    ++commands;
  }
  EXPECT_GE(commands, 4);
  EXPECT_THAT(help, Not(HasSubstr("docs")));
  EXPECT_THAT(page, HasSubstr("\\fB\\-\\-jobs\\fR"));
}

// The reference is groff itself: a page with unknown requests or unbalanced escapes makes it warn.
TEST(CommandDocs, GroffReadsThePageWithoutWarning) {
  if (output_of("command -v groff").empty()) GTEST_SKIP() << "SKIPPED: groff is absent";
  const test::TemporaryFolder folder;
  const std::string file = (folder.path() / "trunnion.1").string();
  std::ofstream(file) << test::run_trunnion({"docs", "man"}).out;
  EXPECT_EQ(output_of("groff -ww -man -Tascii -z '" + file + "' 2>&1"), "");
  EXPECT_THAT(output_of("groff -man -Tascii '" + file + "' | sed 's/\\x1b\\[[0-9;]*m//g'"),
              HasSubstr("Make the report page again from the data in the workspace."));
}

TEST(CommandDocs, BashOffersCommandsOptionsAndChoices) {
  EXPECT_THAT(offered({"trunnion", "rep"}), ElementsAre("report"));
  EXPECT_THAT(offered({"trunnion", "check", "--j"}), UnorderedElementsAre("--json", "--jobs"));
  EXPECT_THAT(offered({"trunnion", "demo", "--backdrop", ""}),
              UnorderedElementsAre("black", "grey", "white", "blue", "green"));
  EXPECT_THAT(offered({"trunnion", "check", "--jobs", ""}), ElementsAre());
  EXPECT_THAT(offered({"trunnion", "do"}), ElementsAre());  // hidden
}

}  // namespace command_docs_test
}  // namespace trunnion
