#include "config/capture_table.h"

#include <gtest/gtest.h>

#include "core/angle.h"
#include "core/error.h"

namespace trunnion {
namespace capture_table_test {

std::string complaint(const std::string& text) {
  try {
    parse_capture_table(text, "c.csv");
  } catch (const Error& error) {
    return error.what();
  }
  return "";
}

TEST(CaptureTable, ReadsColumnsInAnyOrder) {
  const auto rows = parse_capture_table(
      "\xEF\xBB\xBFstation,file,angle_deg\r\n3,\"fused/a, b.tif\",12.5\r\n\r\n4,c.tif,\n", "c.csv");
  ASSERT_EQ(rows.size(), 2U);
  EXPECT_EQ(rows[0].file, "fused/a, b.tif");
  EXPECT_EQ(rows[0].station, 3);
  EXPECT_NEAR(*rows[0].angle, radians(12.5), 1e-12);
  EXPECT_FALSE(rows[1].angle);
}

TEST(CaptureTable, NamesMistakesWithLines) {
  EXPECT_NE(complaint("fil,station\na,1\n").find("did you mean \"file\""), std::string::npos);
  EXPECT_NE(complaint("file,station\na,one\n").find("line 2: station \"one\""), std::string::npos);
  EXPECT_NE(complaint("file,station\na,1,2\n").find("has 3 cells"), std::string::npos);
  EXPECT_NE(complaint("file,station,angle_deg\na,1,nan\n").find("angle_deg"), std::string::npos);
  EXPECT_NE(complaint("file,station\n../a,1\n").find("inside the workspace"), std::string::npos);
  EXPECT_NE(complaint("file,station\n/a,1\n").find("inside the workspace"), std::string::npos);
  EXPECT_NE(complaint("file,station\n\"a,1\n").find("never closed"), std::string::npos);
  EXPECT_NE(complaint("").find("empty"), std::string::npos);
  EXPECT_NE(complaint("file,station\n").find("lists no image"), std::string::npos);
  EXPECT_NE(complaint("file,station\n\xFF\xFE,1\n").find("UTF-8"), std::string::npos);
  EXPECT_NE(complaint("file,file,station\na,b,1\n").find("appears twice"), std::string::npos);
}

TEST(CaptureTable, ReadsTiltAndReferenceWhereTheyAreGiven) {
  const auto rows = parse_capture_table(
      "file,station,tilt_deg,reference_mm\na.tif,1,-12.5,3.25\nb.tif,2,,\n", "c.csv");
  EXPECT_NEAR(*rows[0].tilt, radians(-12.5), 1e-12);
  EXPECT_EQ(*rows[0].reference_mm, 3.25);
  EXPECT_FALSE(rows[1].tilt);
  EXPECT_FALSE(rows[1].reference_mm);
  EXPECT_NE(complaint("file,station,tilt_deg\na,1,90\n").find("tilt_deg \"90\" is not a number"),
            std::string::npos);
  EXPECT_NE(
      complaint("file,station,reference_mm\na,1,near\n").find("line 2: reference_mm \"near\""),
      std::string::npos);
}

TEST(CaptureTable, ReadsFramesWhereTheyAreGiven) {
  const auto rows = parse_capture_table(
      "file,station,frames,frame\na.tif,1,61,raw/a_01.tif\nb.tif,2,,\n", "c.csv");
  EXPECT_EQ(rows[0].frames, 61);
  EXPECT_EQ(rows[0].frame, "raw/a_01.tif");
  EXPECT_EQ(rows[1].frames, 0);
  EXPECT_EQ(rows[1].frame, "");
  EXPECT_NE(complaint("file,station,frames\na,1,0\n").find("frames \"0\" is not a whole number"),
            std::string::npos);
  EXPECT_NE(complaint("file,station,frames\na,1,many\n").find("line 2: frames \"many\""),
            std::string::npos);
  EXPECT_NE(complaint("file,station,frame\na,1,../b\n").find("frame \"../b\""), std::string::npos);
}

TEST(CaptureTable, RefusesThousandsOfColumns) {
  std::string header = "file,station";
  for (int i = 0; i < 5000; ++i) header += ",x" + std::to_string(i);
  EXPECT_NE(complaint(header + "\n").find("columns"), std::string::npos);
}

TEST(CaptureTable, BoundsTheListOfMistakes) {
  std::string text = "file,station\n";
  for (int i = 0; i < 1000; ++i) text += "a,x\n";
  const std::string said = complaint(text);
  EXPECT_NE(said.find("and 980 more"), std::string::npos);
}

}  // namespace capture_table_test
}  // namespace trunnion
