#include "stages/shot_list/shot_list.h"

#include <gtest/gtest.h>

#include "core/angle.h"
#include "core/cautions.h"

namespace trunnion::shot_list {
namespace shot_list_test {

// Formula injection: OWASP, "CSV Injection": cells that begin with = + - @, tab or carriage return.
TEST(ShotList, TextCellsNeverBeginLikeFormulas) {
  EXPECT_EQ(csv_text("=1+1"), "'=1+1");
  EXPECT_EQ(csv_text("+1"), "'+1");
  EXPECT_EQ(csv_text("-1"), "'-1");
  EXPECT_EQ(csv_text("@SUM(A1)"), "'@SUM(A1)");
  EXPECT_EQ(csv_text("\t=1"), "'\t=1");
  EXPECT_EQ(csv_text("\r=1"), "\"'\r=1\"");
  EXPECT_EQ(csv_text("=HYPERLINK(\"x\",\"y\")"), "\"'=HYPERLINK(\"\"x\"\",\"\"y\"\")\"");
  EXPECT_EQ(csv_text("low, \"left\""), "\"low, \"\"left\"\"\"");
  EXPECT_EQ(csv_text("plain"), "plain");
}

TEST(ShotList, OneLineAStationFromNearToFar) {
  PlannedRing ring;
  ring.name = "=ring";
  ring.elevation = radians(25);
  ring.stations = {
      {.station = 0, .stage_angle = 0, .depth_mm = 1, .slices = 3, .first_mm = 0.5},
      {.station = 1, .stage_angle = radians(-90), .depth_mm = 0.5, .slices = 2, .first_mm = 0.25}};
  const std::string csv = shot_list_csv({ring}, 0.5);
  const std::size_t table = csv.find("\r\nring,");
  ASSERT_NE(table, std::string::npos);
  EXPECT_EQ(csv.substr(table + 2),
            "ring,station,elevation_deg,stage_angle_deg,slices,first_mm,step_mm,last_mm,"
            "positions_mm\r\n"
            "'=ring,0,25.000,0.0000,3,0.50000,0.50000,-0.50000,0.50000 0.00000 -0.50000\r\n"
            "'=ring,1,25.000,-90.0000,2,0.25000,0.50000,-0.25000,0.25000 -0.25000\r\n");
}

// Comment lines as in the exported CSV files: a reader skips what begins with #.
TEST(ShotList, CautionsStandAboveTheTable) {
  const std::string csv = shot_list_csv({}, 0.5);
  EXPECT_TRUE(csv.starts_with("# " + std::string(cautions_rule()) + "\r\n"));
  for (const Caution& caution : cautions()) {
    const std::size_t at =
        csv.find("# " + std::string(caution.subject) + ": " + std::string(caution.text) + "\r\n");
    EXPECT_LT(at, csv.find("ring,station")) << caution.subject;
  }
}

}  // namespace shot_list_test
}  // namespace trunnion::shot_list
