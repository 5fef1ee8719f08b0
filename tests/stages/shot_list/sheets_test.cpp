// Sheets and tables of moves: the same capture as the shot list, in times that add up.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <regex>

#include "config/share.h"
#include "core/angle.h"
#include "core/cautions.h"
#include "core/csv.h"
#include "core/error.h"
#include "core/files.h"
#include "stages/shot_list/shot_list.h"
#include "tests/support/open_data.h"

namespace trunnion::shot_list {
namespace sheets_test {

using testing::HasSubstr;

CapturePlan two_rings() {
  CapturePlan plan;
  plan.title = "a (b) <i>";
  plan.chosen.setup = "macro";
  plan.chosen.step_mm = 0.5;
  plan.frames = 7;
  plan.station_count = 3;
  PlannedRing low;
  low.name = "low";
  low.stations = {
      {.station = 0, .stage_angle = 0, .depth_mm = 1, .slices = 3, .first_mm = 0.5},
      {.station = 1, .stage_angle = radians(-90), .depth_mm = 0.5, .slices = 2, .first_mm = 0.25}};
  PlannedRing high;
  high.name = "high";
  high.elevation = radians(25);
  high.stations = {{.station = 0, .depth_mm = 0.5, .slices = 2, .first_mm = 0.25}};
  plan.rings = {low, high};
  return plan;
}

// A frame takes 1 + 0.5 + 2 s, a station 10 s more, a change of ring 100 s.
constexpr CaptureTimes kTimes{1, 0.5, 2, 10, 100};

TEST(StationTimes, AddUp) {
  const auto times = station_times(two_rings().rings, kTimes);
  ASSERT_EQ(times.size(), 3U);
  EXPECT_DOUBLE_EQ(times[0].end_s, 10 + 3 * 3.5);
  EXPECT_DOUBLE_EQ(times[1].begin_s, times[0].end_s);
  EXPECT_DOUBLE_EQ(times[1].end_s, 20.5 + 17);
  EXPECT_DOUBLE_EQ(times[2].begin_s, 37.5 + 100);
  EXPECT_DOUBLE_EQ(times[2].end_s, 137.5 + 17);
}

TEST(MotionTable, OneLineAFrame) {
  const std::string csv = motion_csv(two_rings(), kTimes);
  EXPECT_TRUE(csv.starts_with("# " + std::string(cautions_rule()) + "\r\n"));
  const std::size_t table = csv.find("\r\nmove,");
  ASSERT_NE(table, std::string::npos);
  EXPECT_EQ(csv.substr(table + 2),
            "move,ring,station,slice,elevation_deg,stage_angle_deg,rail_mm,begin_s\r\n"
            "1,low,0,1,0.000,0.0000,0.50000,10.00\r\n"
            "2,low,0,2,0.000,0.0000,0.00000,13.50\r\n"
            "3,low,0,3,0.000,0.0000,-0.50000,17.00\r\n"
            "4,low,1,1,0.000,-90.0000,0.25000,30.50\r\n"
            "5,low,1,2,0.000,-90.0000,-0.25000,34.00\r\n"
            "6,high,0,1,25.000,0.0000,0.25000,147.50\r\n"
            "7,high,0,2,25.000,0.0000,-0.25000,151.00\r\n");
}

// ISO 6983-1 (from memory): % starts and ends a program, ( and ) enclose a comment, every block is
// words of a letter and a number; G21 mm, G90 absolute, G0 rapid move, G4 dwell, M0 stop, M2 end.
TEST(MotionProgram, TheShippedTemplateHasTheFormOfItsStandard) {
  const std::string program =
      motion_program(two_rings(), kTimes, share_folder() / "templates" / "motion.mustache");
  const std::regex block(R"((?:[A-Z]-?\d+(?:\.\d+)?)(?: [A-Z]-?\d+(?:\.\d+)?)*)");
  const std::regex comment(R"(\([^()]*\))");
  std::istringstream lines(program);
  std::string line;
  std::vector<std::string> moves;
  std::vector<std::string> all;
  while (std::getline(lines, line)) {
    all.push_back(line);
    if (line == "%") continue;
    EXPECT_TRUE(std::regex_match(line, block) || std::regex_match(line, comment)) << line;
    if (line.starts_with("G0 ")) moves.push_back(line.substr(3));
  }
  ASSERT_GT(all.size(), 2U);
  EXPECT_EQ(all.front(), "%");
  EXPECT_EQ(all.back(), "%");
  EXPECT_THAT(moves,
              testing::ElementsAre("C0.0000", "Z0.50000", "Z0.00000", "Z-0.50000", "C-90.0000",
                                   "Z0.25000", "Z-0.25000", "C0.0000", "Z0.25000", "Z-0.25000"));
  EXPECT_THAT(program, HasSubstr("(a [b] <i>)"));
  for (const Caution& caution : cautions()) {
    EXPECT_THAT(program, HasSubstr(std::string(caution.subject) + ": "));
  }
  EXPECT_EQ(std::count(all.begin(), all.end(), "M0"), 2);  // elevations are set by hand
}

TEST(MotionProgram, AnotherTemplateAndAWrongOne) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "mine.mustache";
  write_file(file,
             "{{#rings}}{{#stations}}{{ring}} {{station}}:{{#slices_of}} {{rail_mm}}"
             "{{/slices_of}};{{/stations}}{{/rings}}");
  EXPECT_EQ(motion_program(two_rings(), kTimes, file),
            "low 0: 0.50000 0.00000 -0.50000;low 1: 0.25000 -0.25000;high 0: 0.25000 -0.25000;");
  write_file(file, "{{#rings}}");
  try {
    static_cast<void>(motion_program(two_rings(), kTimes, file));
    ADD_FAILURE();
  } catch (const Error& error) {
    EXPECT_THAT(error.what(), HasSubstr("mine.mustache: the template is not valid mustache"));
  }
}

TEST(RigSheet, CautionsFirstThenEveryStationWithItsTime) {
  const fs::path file = share_folder() / "templates" / "rig-sheet.mustache";
  const std::string page = rig_sheet_html(two_rings(), kTimes, std::nullopt, file);
  EXPECT_THAT(page, HasSubstr("<h1>a (b) &lt;i&gt;</h1>"));
  EXPECT_THAT(page, testing::Not(HasSubstr("<i>")));
  EXPECT_LT(page.find(std::string(cautions().back().text)), page.find("<table>"));
  std::size_t boxes = 0;
  for (std::size_t at = page.find("type=\"checkbox\""); at != std::string::npos;
       at = page.find("type=\"checkbox\"", at + 1)) {
    ++boxes;
  }
  EXPECT_EQ(boxes, 3U);
  EXPECT_THAT(page, HasSubstr("<td>-90.0000</td><td>0</td><td>0.2500</td><td>-0.2500</td>"
                              "<td>2</td><td class=\"file\">low_001.tif</td><td>0:00</td>"));
  // 2026-12-31 23:59 by the clock: the last station begins 137.5 s later.
  const std::string timed = rig_sheet_html(two_rings(), kTimes, 1798761540, file);
  EXPECT_THAT(timed, HasSubstr("<td class=\"file\">low_000.tif</td><td>23:59</td>"));
  EXPECT_THAT(timed, HasSubstr("<td class=\"file\">high_000.tif</td><td>2027-01-01 00:01</td>"));
}

}  // namespace sheets_test
}  // namespace trunnion::shot_list
