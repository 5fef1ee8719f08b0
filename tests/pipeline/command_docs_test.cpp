#include <gmock/gmock.h>

#include <array>
#include <cstdio>
#include <filesystem>
#include <set>
#include <sstream>

#include "core/files.h"
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

bool is_absent(const std::string& program) {
  return output_of("command -v " + program).empty();
}

// What `trunnion docs` writes, in a folder of its own.
class CommandDocs : public testing::Test {
 protected:
  void SetUp() override { ASSERT_EQ(test::run_trunnion({"docs", folder()}).exit_code, 0); }
  std::string folder() const { return folder_.path().string(); }
  std::filesystem::path man() const { return folder_.path() / "man"; }

  // Words that a shell's script prints, one a line.
  static std::vector<std::string> lines_of(const std::string& command) {
    std::vector<std::string> lines;
    std::istringstream in(output_of(command));
    for (std::string line; std::getline(in, line);) {
      if (!line.empty()) lines.push_back(line);
    }
    return lines;
  }

  // What bash would offer after these words, the last of which is being typed.
  std::vector<std::string> in_bash(const std::vector<std::string>& words) const {
    std::string list;
    for (const std::string& word : words) list += " '" + word + "'";
    return lines_of(
        "bash -c 'source \"$0\"; COMP_WORDS=(\"$@\"); COMP_CWORD=$((${#COMP_WORDS[@]}-1)); "
        "_trunnion; printf \"%s\\n\" \"${COMPREPLY[@]}\"' '" +
        folder() + "/trunnion.bash'" + list);
  }

  std::vector<std::string> in_fish(const std::string& typed) const {
    std::vector<std::string> lines =
        lines_of("HOME='" + folder() + "' fish --no-config -c 'source \"" + folder() +
                 "/trunnion.fish\"; complete -C \"" + typed + "\"'");
    for (std::string& line : lines) line.resize(std::min(line.size(), line.find('\t')));
    return lines;
  }

  // The command line as zsh completes it when Tab is pressed, in a real terminal of its own.
  std::string in_zsh(const std::string& typed) const {
    std::ofstream(folder_.path() / "press.zsh") << R"(
zmodload zsh/zpty
zpty shell zsh -f -i
read_until() { local all='' piece; while zpty -r shell piece; do all+=$piece; [[ $all == *${~1}* ]] && break; done; print -r -- $all }
zpty -w shell "PS1=; fpath=($1 \$fpath); autoload -U compinit; compinit -u -D; setopt no_beep no_list_ambiguous; bindkey '^I' complete-word; accept() { print -r -- \"LINE=\$BUFFER=\"; BUFFER=''; zle accept-line }; zle -N accept; bindkey '^M' accept; print READ''Y"
read_until READY >/dev/null
zpty -w -n shell "$2"$'\t\r'
read_until 'LINE=*=' | sed -n 's/.*LINE=\(.*\)=.*/\1/p'
)";
    std::string line = output_of("cd '" + folder() + "' && timeout 20 zsh -f press.zsh '" +
                                 folder() + "' '" + typed + "' 2>&1");
    while (!line.empty() && (line.back() == '\n' || line.back() == '\r' || line.back() == ' ')) {
      line.pop_back();
    }
    return line;
  }

 private:
  test::TemporaryFolder folder_;
};

TEST_F(CommandDocs, EveryCommandOfHelpHasAManPageWithItsOptions) {
  const std::string help = test::run_trunnion({"--help"}).out;
  std::istringstream lines(help.substr(help.find("Subcommands:")));
  std::string line;
  std::getline(lines, line);
  std::set<std::string> expected{"trunnion.1",
                                 "trunnion-calibrate-lens.1",
                                 "trunnion-calibrate-joint.1",
                                 "trunnion-calibrate-axis.1",
                                 "trunnion-collection-status.1",
                                 "trunnion-collection-run.1",
                                 "trunnion-collection-report.1"};
  while (std::getline(lines, line) && line.starts_with("  ")) {
    std::string name;
    std::istringstream(line) >> name;
    expected.insert("trunnion-" + name + ".1");
    const std::string page = read_file(man() / ("trunnion-" + name + ".1"));
    EXPECT_THAT(page, HasSubstr(".BR trunnion (1)")) << name;
    for (std::size_t at = 0; (at = name.find('-', at)) != std::string::npos; at += 2) {
      name.insert(at, 1, '\\');  // as troff writes a hyphen that can be copied
    }
    EXPECT_THAT(read_file(man() / "trunnion.1"), HasSubstr(".BR trunnion\\-" + name + " (1)"));
  }
  EXPECT_GE(expected.size(), 7U);
  std::set<std::string> written;
  for (const auto& entry : std::filesystem::directory_iterator(man())) {
    written.insert(entry.path().filename().string());
  }
  EXPECT_EQ(written, expected);
  EXPECT_THAT(help, Not(HasSubstr("docs")));
  EXPECT_THAT(read_file(man() / "trunnion-check.1"), HasSubstr("\\fB\\-\\-jobs\\fR"));
}

// The reference is groff itself: a page with unknown requests or unbalanced escapes makes it warn.
TEST_F(CommandDocs, GroffReadsEveryPageWithoutWarning) {
  if (is_absent("groff")) GTEST_SKIP() << "SKIPPED: groff is absent";
  for (const auto& page : std::filesystem::directory_iterator(man())) {
    EXPECT_EQ(output_of("groff -ww -man -Tascii -z '" + page.path().string() + "' 2>&1"), "");
  }
  EXPECT_THAT(output_of("groff -man -Tascii '" + (man() / "trunnion-report.1").string() +
                        "' | sed 's/\\x1b\\[[0-9;]*m//g'"),
              HasSubstr("Make the report page again from the data in the workspace."));
}

TEST_F(CommandDocs, BashOffersCommandsOptionsAndChoices) {
  EXPECT_THAT(in_bash({"trunnion", "rep"}), ElementsAre("report"));
  EXPECT_THAT(in_bash({"trunnion", "check", "--j"}), UnorderedElementsAre("--json", "--jobs"));
  EXPECT_THAT(in_bash({"trunnion", "demo", "--backdrop", ""}),
              UnorderedElementsAre("black", "grey", "white", "blue", "green"));
  EXPECT_THAT(in_bash({"trunnion", "check", "--jobs", ""}), ElementsAre());
  EXPECT_THAT(in_bash({"trunnion", "do"}), ElementsAre());  // hidden
}

TEST_F(CommandDocs, FishOffersCommandsOptionsAndChoices) {
  if (is_absent("fish")) GTEST_SKIP() << "SKIPPED: fish is absent";
  EXPECT_THAT(in_fish("trunnion rep"), ElementsAre("report"));
  EXPECT_THAT(in_fish("trunnion calibrate "), testing::IsSupersetOf({"lens", "axis"}));
  EXPECT_THAT(in_fish("trunnion check --j"), UnorderedElementsAre("--json", "--jobs"));
  EXPECT_THAT(in_fish("trunnion demo --backdrop "),
              UnorderedElementsAre("black", "grey", "white", "blue", "green"));
  EXPECT_THAT(in_fish("trunnion docs"), ElementsAre());
}

TEST_F(CommandDocs, ZshCompletesCommandsOptionsAndChoices) {
  if (is_absent("zsh")) GTEST_SKIP() << "SKIPPED: zsh is absent";
  EXPECT_EQ(in_zsh("trunnion rep"), "trunnion report");
  EXPECT_EQ(in_zsh("trunnion calibrate le"), "trunnion calibrate lens");
  EXPECT_EQ(in_zsh("trunnion check --jo"), "trunnion check --jobs");
  EXPECT_EQ(in_zsh("trunnion demo --backdrop gree"), "trunnion demo --backdrop green");
}

TEST(Version, NamesCompilerAndLibraries) {
  const std::string text = test::run_trunnion({"--version"}).out;
  EXPECT_TRUE(text.starts_with("trunnion ")) << text;
  for (const char* part : {"\nbuilt: ", "C++20", "OpenCV 4.", "Ceres Solver 2.", "SQLite 3."}) {
    EXPECT_THAT(text, HasSubstr(part));
  }
}

}  // namespace command_docs_test
}  // namespace trunnion
