#include "config/capture_plan.h"

#include <gtest/gtest.h>

#include "core/angle.h"
#include "core/error.h"

namespace trunnion {
namespace capture_plan_test {

CapturePlan small_plan() {
  CapturePlan plan;
  plan.title = "Beetle";
  plan.height_mm = 12;
  plan.width_mm = 8;
  plan.depth_mm = 6;
  plan.detail_um = 20;
  plan.planned_detail_um = 20;
  plan.surface = Surface::hairy;
  plan.possible = true;
  plan.chosen.setup = "macro";
  plan.chosen.title = "Macro";
  plan.chosen.magnification = 1;
  plan.chosen.f_number = 8;
  plan.chosen.working_f_number = 16;
  plan.chosen.numerical_aperture = 0.03125;
  plan.chosen.pixel_um = 4;
  plan.chosen.depth_of_field_mm = 0.9;
  plan.chosen.step_mm = 0.675;
  plan.chosen.resolution_um = 18;
  plan.chosen.fits = plan.chosen.resolves = true;
  PlannedRing ring;
  ring.name = "ring1";
  ring.elevation = radians(25);
  ring.step = radians(180);
  ring.stations = {{0, 0, 6, 10, 3.0375}, {1, kPi, 6, 10, 3.0375}};
  plan.rings = {ring};
  plan.station_count = 2;
  plan.frames = 20;
  return plan;
}

TEST(CapturePlan, SurvivesWritingAndReading) {
  const CapturePlan before = small_plan();
  const std::string text = plan_to_json(before);
  const CapturePlan after = parse_plan(text, "plan.json");
  EXPECT_EQ(after.title, before.title);
  EXPECT_EQ(after.surface, before.surface);
  EXPECT_EQ(after.chosen.setup, "macro");
  EXPECT_DOUBLE_EQ(after.chosen.step_mm, 0.675);
  ASSERT_EQ(after.rings.size(), 1U);
  EXPECT_NEAR(after.rings[0].elevation, before.rings[0].elevation, 1e-9);
  ASSERT_EQ(after.rings[0].stations.size(), 2U);
  EXPECT_EQ(after.rings[0].stations[1].slices, 10);
  EXPECT_NEAR(after.rings[0].stations[1].stage_angle, kPi, 1e-8);
  EXPECT_EQ(after.station_count, 2);
  EXPECT_EQ(after.frames, 20);
}

// Whatever is cut off or altered, the reader answers with a data error or a plan, never otherwise.
TEST(CapturePlan, DamagedFilesAreDataErrors) {
  const std::string text = plan_to_json(small_plan());
  for (std::size_t length = 0; length + 2 < text.size(); length += 7) {
    EXPECT_THROW(parse_plan(text.substr(0, length), "plan.json"), Error) << length;
  }
  for (std::size_t i = 0; i < text.size(); ++i) {
    for (const char byte : {'\0', '9', '[', '"', '-', '\xff'}) {
      std::string damaged = text;
      damaged[i] = byte;
      try {
        parse_plan(damaged, "plan.json");
      } catch (const Error& error) {
        EXPECT_EQ(error.kind(), Error::Kind::data);
      }
    }
  }
}

TEST(CapturePlan, NamesTheFieldThatIsWrong) {
  std::string text = plan_to_json(small_plan());
  text.replace(text.find("\"slices\": 10"), 12, "\"slices\": -1");
  try {
    parse_plan(text, "plan.json");
    FAIL();
  } catch (const Error& error) {
    EXPECT_STREQ(error.what(),
                 "plan.json: rings[0].stations[0].slices must be a number from 1 to 1000000000; "
                 "write the plan again with trunnion plan.");
  }
}

}  // namespace capture_plan_test
}  // namespace trunnion
