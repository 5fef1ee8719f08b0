#include "stages/shot_list.h"

#include <gtest/gtest.h>

#include "core/angle.h"

namespace trunnion {
namespace {

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
  EXPECT_EQ(shot_list_csv({ring}, 0.5),
            "ring,station,elevation_deg,stage_angle_deg,slices,first_mm,step_mm,last_mm,"
            "positions_mm\r\n"
            "'=ring,0,25.000,0.0000,3,0.50000,0.50000,-0.50000,0.50000 0.00000 -0.50000\r\n"
            "'=ring,1,25.000,-90.0000,2,0.25000,0.50000,-0.25000,0.25000 -0.25000\r\n");
}

}  // namespace
}  // namespace trunnion
