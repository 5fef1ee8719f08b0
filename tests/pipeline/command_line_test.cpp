// The command line as a user meets it: exit codes, streams, JSON.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdlib>
#include <nlohmann/json.hpp>

#include "core/files.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace command_line_test {

using testing::HasSubstr;
using testing::IsEmpty;
using testing::Not;
using testing::StartsWith;

TEST(CommandLine, UsageErrorsExitTwoAndSayWhereHelpIs) {
  for (const std::vector<std::string>& call : {std::vector<std::string>{},
                                               {"prepair"},
                                               {"prepair", "--help"},
                                               {"--help", "prepair"},
                                               {"calibrate", "lense", "--help"},
                                               {"report", "x", "--jobs", "2"},
                                               {"prepare"},
                                               {"prepare", "x", "--jobs", "many"},
                                               {"prepare", "/no/such/folder"},
                                               {"check", "/tmp"}}) {
    const test::ProgramRun run = test::run_trunnion(call);
    EXPECT_EQ(run.exit_code, 2) << testing::PrintToString(call);
    EXPECT_THAT(run.err, HasSubstr("trunnion: "));
    EXPECT_THAT(run.out, IsEmpty());
  }
}

TEST(CommandLine, EveryCommandHasHelpWithTheCommonOptions) {
  for (const char* command : {"check", "demo", "plan", "prepare", "report"}) {
    const test::ProgramRun run = test::run_trunnion({command, "--help"});
    EXPECT_EQ(run.exit_code, 0) << command;
    for (const char* option : {"--json", "--quiet"}) {
      EXPECT_THAT(run.out, HasSubstr(option)) << command;
    }
  }
}

TEST(CommandLine, JobsIsOfferedOnlyWhereThreadsWork) {
  for (const std::vector<std::string>& words : {std::vector<std::string>{"check"},
                                                {"demo"},
                                                {"prepare"},
                                                {"calibrate", "axis"},
                                                {"calibrate", "lens"}}) {
    std::vector<std::string> call = words;
    call.emplace_back("--help");
    EXPECT_THAT(test::run_trunnion(call).out, HasSubstr("--jobs")) << words.back();
  }
  for (const char* command : {"docs", "plan", "report", "target", "verify"}) {
    const test::ProgramRun run = test::run_trunnion({command, "--help"});
    EXPECT_EQ(run.exit_code, 0) << command;
    EXPECT_THAT(run.out, Not(HasSubstr("--jobs"))) << command;
  }
}

TEST(CommandLine, HelpAfterAnUnknownCommandNamesTheWord) {
  const test::ProgramRun run = test::run_trunnion({"prepair", "--help"});
  EXPECT_THAT(run.err, HasSubstr("\"prepair\" is not a command, did you mean \"prepare\""));
}

TEST(CommandLine, QuietFaultsAreOneLineEachOnStderr) {
  const test::SmallSet set;
  fs::remove(set.workspace() / "fused/mid_002.tif");
  const test::ProgramRun run = test::run_trunnion({"prepare", set.workspace().string(), "--quiet"});
  EXPECT_EQ(run.exit_code, 1);
  EXPECT_THAT(run.out, IsEmpty());
  EXPECT_THAT(run.err, StartsWith("trunnion: "));
  EXPECT_THAT(run.err, HasSubstr("lacks 1 of"));
  EXPECT_EQ(std::count(run.err.begin(), run.err.end(), '\n'), 1) << run.err;
  EXPECT_THAT(run.err, Not(HasSubstr("index.html")));
}

TEST(CommandLine, PrepareSpeaksJsonOnStdoutAlone) {
  const test::SmallSet set;
  const test::ProgramRun run =
      test::run_trunnion({"prepare", set.workspace().string(), "--json", "--jobs", "2"});
  const auto json = nlohmann::json::parse(run.out);
  EXPECT_EQ(json.at("images_prepared"), 8);
  EXPECT_EQ(json.at("command"), "prepare");
  EXPECT_EQ(run.exit_code, json.at("faults") == 0 ? 0 : 1);
}

TEST(CommandLine, PipedOutputHoldsNoControlCharacters) {
  const test::SmallSet set;
  const test::ProgramRun run = test::run_trunnion({"prepare", set.workspace().string()});
  EXPECT_EQ(run.out.find('\x1B'), std::string::npos);
  EXPECT_EQ(run.err.find('\x1B'), std::string::npos);
  EXPECT_EQ(run.err.find('\r'), std::string::npos);
  EXPECT_THAT(run.err, HasSubstr("survey"));
  EXPECT_THAT(run.out, HasSubstr("report"));
}

int shell(const std::string& command) {
  const int status = std::system(command.c_str());
  return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

// /dev/full takes nothing, as a full disk (full(4)).
TEST(CommandLine, ALostResultIsAnError) {
  const test::TemporaryFolder folder;
  const std::string err = (folder.path() / "err").string();
  for (const char* call : {"--help", "--version", "docs --help", "plan --help", "prepare --help"}) {
    EXPECT_EQ(shell(test::program() + " " + call + " >/dev/full 2>" + err), 1) << call;
    EXPECT_THAT(read_file(err), HasSubstr("standard output")) << call;
    EXPECT_THAT(read_file(err), HasSubstr("No space left on device")) << call;
  }
  const test::SmallSet set;
  const std::string check = test::program() + " check " + set.workspace().string();
  for (const char* more : {"", " --json"}) {
    EXPECT_EQ(shell(check + more + " >/dev/full 2>" + err), 1) << more;
    EXPECT_THAT(read_file(err), HasSubstr("standard output")) << more;
  }
}

TEST(CommandLine, LostMessagesEndNoRun) {
  const test::SmallSet set;
  EXPECT_EQ(shell(test::program() + " prepair 2>/dev/full"), 2);
  EXPECT_EQ(
      shell(test::program() + " prepare " + set.workspace().string() + " >/dev/null 2>/dev/full"),
      0);
  EXPECT_TRUE(fs::exists(set.prepared() / "report/index.html"));
}

TEST(CommandLine, AMissingStationIsADataError) {
  const test::SmallSet set;
  fs::remove(set.workspace() / "fused/mid_002.tif");
  const test::ProgramRun run = test::run_trunnion({"prepare", set.workspace().string()});
  EXPECT_EQ(run.exit_code, 1);
  EXPECT_THAT(run.out, HasSubstr("Not complete: mid 2 is missing"));
}

TEST(CommandLine, ErrorsAreJsonTooWhereAsked) {
  const test::SmallSet set;
  write_file(set.workspace() / "specimen.toml", "titel = 3\n");
  const test::ProgramRun run = test::run_trunnion({"prepare", set.workspace().string(), "--json"});
  EXPECT_EQ(run.exit_code, 1);
  const auto json = nlohmann::json::parse(run.out);
  EXPECT_THAT(json.at("error").get<std::string>(), HasSubstr("did you mean \"title\""));
}

}  // namespace command_line_test
}  // namespace trunnion
