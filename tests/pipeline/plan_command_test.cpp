// trunnion plan as a user calls it.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>

#include "config/capture_plan.h"
#include "config/presets.h"
#include "config/settings.h"
#include "config/toml_writer.h"
#include "core/files.h"
#include "stages/plan/plan.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace plan_command_test {

using testing::HasSubstr;
using Words = std::vector<std::string>;

Words beetle(const Words& more) {
  Words words{"plan", "--height", "12", "--width", "8", "--depth", "6", "--detail", "20"};
  words.insert(words.end(), more.begin(), more.end());
  return words;
}

TEST(PlanCommand, WritesAWorkspaceThatCanBeRead) {
  const test::TemporaryFolder folder;
  const fs::path workspace = folder.path() / "beetle";
  const test::ProgramRun run = test::run_trunnion(beetle({"-o", workspace.string()}));
  ASSERT_EQ(run.exit_code, 0) << run.err;
  const SpecimenFile specimen = read_specimen(workspace / "specimen.toml");
  EXPECT_EQ(specimen.specimen.rings.size(), 3U);
  const auto setup = read_setup(specimen.specimen.setup_file);
  const CapturePlan plan = read_plan(workspace / "plan.json");
  EXPECT_EQ(setup.f_number, plan.chosen.f_number);
  EXPECT_TRUE(plan.chosen.turned);
  EXPECT_EQ(setup.height_px > setup.width_px, plan.chosen.portrait);
  EXPECT_DOUBLE_EQ(setup.lateral_magnification(), plan.chosen.magnification);
  EXPECT_THAT(read_file(workspace / "plan.svg"), HasSubstr("</svg>"));
  const std::string shots = read_file(workspace / "shot-list.csv");
  EXPECT_EQ(
      std::count(shots.begin(), shots.end(), '\n') - std::count(shots.begin(), shots.end(), '#'),
      plan.station_count + 1);
}

TEST(PlanCommand, WritesSheetsForTheRig) {
  const test::TemporaryFolder folder;
  const fs::path workspace = folder.path() / "beetle";
  const test::ProgramRun run = test::run_trunnion(
      beetle({"-o", workspace.string(), "--start", "2026-12-01T18:30", "--motion", "moves.txt"}));
  ASSERT_EQ(run.exit_code, 0) << run.err;
  const CapturePlan plan = read_plan(workspace / "plan.json");
  const std::string moves = read_file(workspace / "motion.csv");
  EXPECT_EQ(
      std::count(moves.begin(), moves.end(), '\n') - std::count(moves.begin(), moves.end(), '#'),
      std::lround(plan.frames) + 1);
  EXPECT_THAT(read_file(workspace / "moves.txt"), HasSubstr("G21 G90"));
  // The sheet and the terminal end at the same time as the plan's sum says.
  const nlohmann::json json = nlohmann::json::parse(read_file(workspace / "plan.json"));
  const double seconds = json.at("chosen").at("seconds").get<double>();
  ASSERT_GT(seconds, 600);
  const auto end = static_cast<int>(std::lround(18 * 60 + 30 + seconds / 60));
  const std::string clock = fmt::format("{:02}:{:02}", end / 60, end % 60);
  const std::string sheet = read_file(workspace / "rig-sheet.html");
  EXPECT_NE(sheet.find("18:30 and about " + clock), std::string::npos) << clock;
  EXPECT_NE(run.out.find("the capture ends at about 2026-12-01 " + clock), std::string::npos);
}

TEST(PlanCommand, SheetsRefuseWrongTimesAndNames) {
  const test::TemporaryFolder folder;
  const std::string workspace = (folder.path() / "beetle").string();
  for (const char* time : {"2026-02-31T10:00", "10:00", "2026-12-01T25:00", "now"}) {
    const test::ProgramRun run = test::run_trunnion(beetle({"-o", workspace, "--start", time}));
    EXPECT_EQ(run.exit_code, 2) << time;
    EXPECT_THAT(run.err, HasSubstr("give date and time as 2026-12-31T09:30"));
  }
  EXPECT_EQ(test::run_trunnion(beetle({"-o", workspace, "--motion", "../m.nc"})).exit_code, 2);
  const test::ProgramRun missing =
      test::run_trunnion(beetle({"-o", workspace, "--motion-template", "none.mustache"}));
  EXPECT_EQ(missing.exit_code, 1);
  EXPECT_THAT(missing.err, HasSubstr("none.mustache"));
  EXPECT_FALSE(fs::exists(workspace));
}

TEST(PlanCommand, OverwritesNothingUnlessForced) {
  const test::TemporaryFolder folder;
  const fs::path workspace = folder.path() / "beetle";
  fs::create_directories(workspace);
  std::ofstream(workspace / "plan.svg") << "mine";
  const Words call = beetle({"-o", workspace.string()});
  const test::ProgramRun refused = test::run_trunnion(call);
  EXPECT_EQ(refused.exit_code, 1);
  EXPECT_THAT(refused.err, HasSubstr("plan.svg already exists"));
  EXPECT_EQ(read_file(workspace / "plan.svg"), "mine");
  EXPECT_FALSE(fs::exists(workspace / "specimen.toml"));
  EXPECT_FALSE(fs::exists(folder.path() / "setups"));
  Words forced = call;
  forced.emplace_back("--force");
  EXPECT_EQ(test::run_trunnion(forced).exit_code, 0);
  EXPECT_THAT(read_file(workspace / "plan.svg"), HasSubstr("<svg"));
}

TEST(PlanCommand, ASecondSpecimenSharesTheSetupFile) {
  const test::TemporaryFolder folder;
  EXPECT_EQ(test::run_trunnion(beetle({"-o", (folder.path() / "one").string()})).exit_code, 0);
  const test::ProgramRun second =
      test::run_trunnion(beetle({"-o", (folder.path() / "two").string()}));
  EXPECT_EQ(second.exit_code, 0) << second.err;
  EXPECT_EQ(std::distance(fs::directory_iterator(folder.path() / "setups"), {}), 1);
}

TEST(PlanCommand, RefersToTheUsersOwnSetup) {
  const test::TemporaryFolder folder;
  fs::create_directories(folder.path() / "setups");
  const fs::path mine = folder.path() / "setups" / "mine.toml";
  auto setup = read_preset("23x16-macro100-1-1");
  std::swap(setup.width_px, setup.height_px);  // the specimen is higher than wide
  std::ofstream(mine) << setup_toml(setup);
  const fs::path workspace = folder.path() / "beetle";
  const test::ProgramRun run =
      test::run_trunnion(beetle({mine.string(), "--keep-aperture", "-o", workspace.string()}));
  EXPECT_EQ(run.exit_code, 0) << run.err;
  EXPECT_EQ(read_specimen(workspace / "specimen.toml").specimen.setup_file, mine);
  EXPECT_EQ(read_plan(workspace / "plan.json").chosen.f_number, read_setup(mine).f_number);
}

TEST(PlanCommand, ATurnedCameraGetsASetupOfItsOwn) {
  const test::TemporaryFolder folder;
  fs::create_directories(folder.path() / "setups");
  const fs::path mine = folder.path() / "setups" / "mine.toml";
  fs::copy_file(preset_folder() / "23x16-macro100-1-1.toml", mine);
  const fs::path workspace = folder.path() / "beetle";
  const test::ProgramRun run =
      test::run_trunnion(beetle({mine.string(), "--keep-aperture", "-o", workspace.string()}));
  EXPECT_EQ(run.exit_code, 0) << run.err;
  const fs::path written = read_specimen(workspace / "specimen.toml").specimen.setup_file;
  EXPECT_THAT(written.filename().string(), testing::EndsWith("-portrait.toml"));
  EXPECT_EQ(read_setup(written).width_px, read_setup(mine).height_px);
  EXPECT_THAT(run.out, HasSubstr("portrait format, camera rotated 90 degrees from the setup file"));
}

TEST(PlanCommand, NamesTheSizesThatAreMissing) {
  EXPECT_THAT(test::run_trunnion({"plan"}).err,
              HasSubstr("--height, --width and --depth (or --diameter), --detail"));
  EXPECT_THAT(test::run_trunnion({"plan", "--height", "3", "--width", "2", "--detail", "5"}).err,
              HasSubstr("Missing: --depth;"));
}

// specimen.toml can't describe views side by side: the plan does not propose them.
TEST(PlanCommand, ASpecimenTooLargeForOneViewGetsTheMagnificationThatHoldsIt) {
  const test::ProgramRun run = test::run_trunnion(
      {"plan", "--height", "80", "--width", "50", "--depth", "90", "--detail", "60", "--json"});
  const nlohmann::json json = nlohmann::json::parse(run.out);
  ASSERT_GT(json["chosen"]["panels"], 1);
  EXPECT_THAT(run.out, testing::Not(HasSubstr("side by side")));
  const std::string remedy = json["advice"][0]["remedy"];
  const double most = std::stod(remedy.substr(remedy.find("magnification of ") + 17));
  EXPECT_LT(most, json["chosen"]["magnification"]);
  const double scale = json["chosen"]["magnification"].get<double>() / most;
  const double swept = std::hypot(50.0, 90.0);
  EXPECT_GT(0.84 * scale * json["chosen"]["field_mm"][0].get<double>(), 0.95 * swept);
}

TEST(PlanCommand, PrintsOneJsonObject) {
  const test::ProgramRun run = test::run_trunnion(beetle({"--json"}));
  EXPECT_EQ(run.exit_code, 0);
  const nlohmann::json json = nlohmann::json::parse(run.out);
  EXPECT_EQ(json["setups"].size(), preset_names().size());
  EXPECT_TRUE(json["possible"]);
  EXPECT_LE(json["chosen"]["resolution_um"], 20);
}

TEST(PlanCommand, AnImpossibleWishExitsWithOneAndSaysWhat) {
  const test::ProgramRun run =
      test::run_trunnion({"plan", "--height", "60", "--diameter", "40", "--detail", "3"});
  EXPECT_EQ(run.exit_code, 1);
  EXPECT_THAT(run.out, HasSubstr("Not possible"));
  EXPECT_THAT(run.out, HasSubstr("Accept a detail of"));
}

TEST(PlanCommand, WrongCallsExitWithTwo) {
  for (const Words& call : std::vector<Words>{
           {"plan"},
           {"plan", "--height", "nan", "--diameter", "3", "--detail", "5"},
           {"plan", "--height", "inf", "--diameter", "3", "--detail", "5"},
           {"plan", "--height", "-3", "--diameter", "3", "--detail", "5"},
           {"plan", "--height", "3", "--diameter", "3", "--detail", "0"},
           {"plan", "--height", "3", "--diameter", "3", "--width", "2", "--detail", "5"},
           {"plan", "--height", "3", "--width", "3", "--detail", "5"},
           {"plan", "--height", "3mm", "--diameter", "3", "--detail", "5"},
           beetle({"--overlap", "100"}),
           beetle({"--overlap", "nan"}),
           beetle({"--slice-overlap", "-1"}),
           beetle({"--stations", "0"}),
           beetle({"--stations", "99999999999"}),
           beetle({"--elevations", "90"}),
           beetle({"--apertures", "0"}),
           beetle({"--surface", "shiny"}),
           beetle({"--preset", "23x16-macro100-1-11"}),
           beetle({"--settle", "-1"}),
           beetle({"--title", "a\xff\xfe"}),
       }) {
    const test::ProgramRun run = test::run_trunnion(call);
    EXPECT_EQ(run.exit_code, 2) << testing::PrintToString(call) << run.err;
    EXPECT_THAT(run.err, testing::StartsWith("trunnion: "));
  }
  EXPECT_THAT(test::run_trunnion(beetle({"--preset", "23x16-macro100-1-11"})).err,
              HasSubstr("did you mean \"23x16-macro100-1-1\""));
}

TEST(PlanCommand, BadFilesExitWithOne) {
  const test::TemporaryFolder folder;
  EXPECT_EQ(test::run_trunnion(beetle({(folder.path() / "none.toml").string()})).exit_code, 1);
  std::ofstream(folder.path() / "no-lens.toml")
      << "[body]\nwidth_px = 100\nheight_px = 100\npixel_pitch_um = 4.0\n[lens]\n"
         "focal_length_mm = 100.0\nmagnification = 1e-300\nf_number = 8.0\n";
  const test::ProgramRun no_lens =
      test::run_trunnion(beetle({(folder.path() / "no-lens.toml").string()}));
  EXPECT_EQ(no_lens.exit_code, 1);
  EXPECT_THAT(no_lens.err, HasSubstr("Setup no-lens has a magnification of 1e-300"));
  std::ofstream(folder.path() / "a-file") << "x";
  EXPECT_EQ(
      test::run_trunnion(beetle({"-o", (folder.path() / "a-file" / "ws").string()})).exit_code, 1);
}

}  // namespace plan_command_test
}  // namespace trunnion
