#include "config/settings.h"

#include <gtest/gtest.h>

#include "core/angle.h"
#include "core/error.h"

namespace trunnion {
namespace settings_test {

constexpr const char* kSpecimen = R"(
title = "Seed"
setup = "../setups/a.toml"
[[ring]]
name = "low"
stations = 24
pattern = "fused/low_{station}.tif"
)";

std::string complaint(const std::string& text) {
  try {
    parse_specimen(text, "/w/s/specimen.toml");
  } catch (const Error& error) {
    return error.what();
  }
  return "";
}

TEST(SpecimenFile, TakesDefaults) {
  const SpecimenFile file = parse_specimen(kSpecimen, "/w/seed/specimen.toml");
  EXPECT_EQ(file.specimen.setup_file, "/w/setups/a.toml");
  ASSERT_EQ(file.specimen.rings.size(), 1U);
  EXPECT_NEAR(file.specimen.rings[0].step, radians(15.0), 1e-12);
  EXPECT_NEAR(file.specimen.rings[0].angle_of(2), radians(30.0), 1e-12);
  EXPECT_TRUE(file.settings.undistort.centre_principal_point);
}

TEST(SpecimenFile, RefusesATemplateThatFallsOnAnOwnOutput) {
  for (const char* name : {"cameras.json", "./exterior.csv", "report/index.html", "images",
                           "images/a.txt", "masks/x", "Cameras.JSON", "tie_points.ply/a"}) {
    const std::string said =
        complaint(std::string(kSpecimen) + "[[output.template]]\nfile = \"matrix\"\nname = \"" +
                  name + "\"\n");
    EXPECT_NE(said.find("trunnion itself writes"), std::string::npos) << name << said;
  }
}

TEST(SpecimenFile, RefusesTwoTemplatesForOneName) {
  const auto two = [](const std::string& a, const std::string& b) {
    const std::string start = "[[output.template]]\nfile = \"matrix\"\nname = \"";
    return complaint(std::string(kSpecimen) + start + a + "\"\n" + start + b + "\"\n");
  };
  for (const auto& [a, b] : {std::pair("a.txt", "a.txt"), {"a", "a/b.txt"}, {"a/b", "./a"}}) {
    EXPECT_NE(two(a, b).find("of another template"), std::string::npos) << a << " " << b;
  }
  EXPECT_EQ(two("a.txt", "a/b.txt").find("of another template"), std::string::npos);
}

TEST(SpecimenFile, RefusesControlCharactersInOutputNames) {
  for (const char* line : {"name = \"a\\u0007{station}\"", "mask_suffix = \"\\u001b\""}) {
    const std::string said = complaint(std::string(kSpecimen) + "[output]\n" + line + "\n");
    EXPECT_NE(said.find("control character"), std::string::npos) << line << said;
  }
}

TEST(SpecimenFile, ClockwiseTurnsTheOtherWay) {
  const SpecimenFile file =
      parse_specimen(std::string(kSpecimen) + "turning = \"clockwise\"\n", "/w/s/specimen.toml");
  EXPECT_NEAR(file.specimen.rings[0].angle_of(1), radians(-15.0), 1e-12);
}

TEST(SpecimenFile, SuggestsTheNearestKey) {
  const std::string text = complaint(std::string(kSpecimen) + "elevaton_deg = 3\n");
  EXPECT_NE(text.find("elevaton_deg"), std::string::npos);
  EXPECT_NE(text.find("did you mean \"elevation_deg\""), std::string::npos);
  EXPECT_NE(text.find("line 8"), std::string::npos) << text;
}

TEST(SpecimenFile, NamesEveryMistakeAtOnce) {
  const std::string text = complaint(R"(
title = 3
setup = "a.toml"
[[ring]]
name = "a/b"
stations = 0
pattern = "fused/x.tif"
[mask]
margin_px = "wide"
mount = "kept"
)");
  for (const char* expected :
       {"title must be a string", "name must be 1 to 64", "stations must be", "{station}",
        "margin_px must be a number", "mount must be one of", "Did you mean \"keep\""}) {
    EXPECT_NE(text.find(expected), std::string::npos) << expected << " in:\n" << text;
  }
}

TEST(SpecimenFile, RefusesPathsThatLeaveTheWorkspace) {
  for (const char* path :
       {"/etc/x_{station}.tif", "../other/x_{station}.tif", "fused/../../x_{station}.tif"}) {
    EXPECT_NE(complaint(std::string("setup=\"a\"\n[[ring]]\nname=\"a\"\nstations=3\npattern=\"") +
                        path + "\"\n")
                  .find("outside the workspace"),
              std::string::npos);
  }
}

TEST(SpecimenFile, RefusesNotANumberAndTwoRingsOfOneName) {
  const std::string ring = "[[ring]]\nname=\"a\"\nstations=3\npattern=\"f/{station}.tif\"\n";
  EXPECT_NE(complaint("setup=\"a\"\n" + ring + "elevation_deg = nan\n").find("elevation_deg"),
            std::string::npos);
  EXPECT_NE(complaint("setup=\"a\"\n" + ring + ring).find("another ring"), std::string::npos);
}

TEST(SpecimenFile, FramePatternHoldsStationAndRing) {
  const std::string ring = "[[ring]]\nname=\"a\"\nstations=3\npattern=\"f/{station}.tif\"\n";
  const std::string other = "[[ring]]\nname=\"b\"\nstations=3\npattern=\"g/{station}.tif\"\n";
  const auto output = [](const std::string& frame) {
    return "[output]\nframe = \"" + frame + "\"\n";
  };
  const SpecimenFile file = parse_specimen(
      "setup=\"a\"\n" + ring + "frames = 61\n" + output("f/{station}/*.jpg"), "/w/s/specimen.toml");
  EXPECT_EQ(file.specimen.rings[0].frames, 61);
  EXPECT_EQ(file.settings.output.frame_pattern, "f/{station}/*.jpg");
  EXPECT_NE(complaint("setup=\"a\"\n" + ring + output("f/a.jpg")).find("must contain {station}"),
            std::string::npos);
  EXPECT_NE(complaint("setup=\"a\"\n" + ring + other + output("f/{station}.jpg"))
                .find("must contain {ring} too"),
            std::string::npos);
  EXPECT_NE(complaint("setup=\"a\"\n" + ring + output("*/*/*{station}")).find("at most two *"),
            std::string::npos);
  EXPECT_NE(complaint("setup=\"a\"\n" + ring + output("../{station}.jpg")).find("outside"),
            std::string::npos);
}

TEST(SpecimenFile, NamesTheLineOfBrokenToml) {
  EXPECT_NE(complaint("title = \"a\"\nsetup = [\n").find("line"), std::string::npos);
}

TEST(SpecimenFile, ReadsTiltsAndReferenceSlices) {
  const std::string ring =
      "setup=\"a\"\n[[ring]]\nname=\"a\"\nstations=4\npattern=\"f/{station}.tif\"\n";
  const SpecimenFile file =
      parse_specimen(ring +
                         "tilt_deg = -12.5\nreference_mm = 3.5\n[tilt]\ncarries = \"stage\"\n"
                         "azimuth_deg = 80\nheight_mm = 1.5\n",
                     "/w/s/specimen.toml");
  EXPECT_NEAR(file.specimen.rings[0].tilt, radians(-12.5), 1e-12);
  EXPECT_EQ(*file.specimen.rings[0].reference_mm, 3.5);
  EXPECT_TRUE(file.specimen.tells_reference());
  EXPECT_EQ(file.specimen.tilt.axis.kind, TiltKind::stage);
  EXPECT_NEAR(file.specimen.tilt.axis.azimuth, radians(80.0), 1e-12);
  EXPECT_EQ(file.specimen.tilt.axis.height_mm, 1.5);
  const auto complaint = [&](const std::string& more) {
    try {
      parse_specimen(ring + more, "/w/s/specimen.toml");
    } catch (const Error& error) {
      return std::string(error.what());
    }
    return std::string();
  };
  EXPECT_NE(complaint("tilt_deg = 90\n").find("tilt_deg"), std::string::npos);
  EXPECT_NE(complaint("[tilt]\nsigma_deg = 1.0\n").find("no [[ring]] has tilt_deg"),
            std::string::npos);
  EXPECT_NE(complaint("tilt_deg = 5\n[tilt]\ninclination_deg = 80\n").find("inclination_deg"),
            std::string::npos);
  EXPECT_NE(complaint("tilt_deg = 5\n[tilt]\ncarries = \"camera\"\n").find("carries"),
            std::string::npos);
}

}  // namespace settings_test
}  // namespace trunnion
