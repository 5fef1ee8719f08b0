#include "config/setup.h"

#include <gtest/gtest.h>

#include "core/error.h"

namespace trunnion {
namespace setup_test {

TEST(SetupFile, KnowsItsOptics) {
  const trunnion::Setup setup = parse_setup(R"(
[body]
width_px = 6000
height_px = 4000
pixel_pitch_um = 4.0
[lens]
focal_length_mm = 100.0
magnification = 1.0
f_number = 8
)",
                                            "macro.toml");
  // At close range the principal distance is f (1 + m/p), twice the focal length at 1:1, p = 1.
  EXPECT_NEAR(setup.principal_distance_mm(), 200.0, 1e-12);
  EXPECT_NEAR(setup.object_distance_mm(), 200.0, 1e-12);
  EXPECT_NEAR(setup.nominal_camera().fx, 50'000.0, 1e-9);
  EXPECT_NEAR(setup.nominal_camera().cx, 2999.5, 1e-12);
}

TEST(SetupFile, NamesMistakesWithLines) {
  try {
    parse_setup("[body]\nwidth_px = 3\nheight_px = 4000\n[lens]\nkind = \"objectiv\"\n", "m.toml");
    FAIL();
  } catch (const Error& error) {
    const std::string text = error.what();
    for (const char* expected : {"line 2: body.width_px", "body.pixel_pitch_um is missing",
                                 "Did you mean \"objective\""}) {
      EXPECT_NE(text.find(expected), std::string::npos) << expected << " in:\n" << text;
    }
  }
}

}  // namespace setup_test
}  // namespace trunnion
