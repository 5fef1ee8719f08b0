#include "stages/plan/plan.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <sstream>

#include "config/presets.h"
#include "core/angle.h"
#include "core/cautions.h"
#include "core/error.h"
#include "core/optics.h"

namespace trunnion::plan {
namespace plan_test {

PlanWish beetle() {
  PlanWish wish;
  wish.height_mm = 12;
  wish.width_mm = 8;
  wish.depth_mm = 6;
  wish.detail_um = 20;
  return wish;
}

Setup one_to_one() {
  return parse_setup(R"(
    [body]
    width_px = 6000
    height_px = 4000
    pixel_pitch_um = 4.0
    [lens]
    focal_length_mm = 100.0
    magnification = 1.0
    f_number = 5.6
  )",
                     "one-to-one.toml");
}

using Setups = std::vector<Setup>;  // gtest has a Setup of its own inside tests

Setups all_presets() {
  Setups setups;
  for (const std::string& name : preset_names()) setups.push_back(read_preset(name));
  return setups;
}

// Sources: 36 stations of 10 deg, turntable sequence of Fitzgibbon, Cross, Zisserman (1998; from
// memory); 3 rings of 10 deg steps are 108 stations (derived); steps of 3 to 24 deg studied by
// Guidi, Malik, Micoli, Sensors 2020, 20(21):6280 (abstract).
TEST(Plan, StationsFollowPublishedPractice) {
  EXPECT_EQ(stations_for_overlap(100, 0.9, 0), 36);
  PlanSettings settings;
  settings.elevations_deg = {0, 0, 0};
  settings.useful_arc_deg = 100;
  EXPECT_EQ(plan_capture(beetle(), {one_to_one()}, settings).station_count, 108);
  for (const PlannedRing& ring : plan_capture(beetle(), {one_to_one()}).rings) {
    EXPECT_GE(degrees(ring.step), 3.0) << ring.name;
    EXPECT_LE(degrees(ring.step), 24.0) << ring.name;
  }
}

// Derived: 3 rings at 10 deg = 108 stations times 61 slices (10 mm deep, step 0.168 mm) = 6588.
TEST(Plan, FramesOfTheWorkedExample) {
  PlanWish wish;
  wish.height_mm = 5;
  wish.diameter_mm = 10;
  wish.detail_um = 20;
  PlanSettings settings;
  settings.elevations_deg = {0, 0, 0};
  settings.stations = 36;
  settings.depth_margin = 0;
  PlanOption option = weigh(wish, one_to_one(), 5.6, settings);
  // The example permits a blur of 10 um and counts no wave-optical depth: 0.168 mm a step. Ours is
  // counted with the depth that the wish of 20 um allows.
  EXPECT_EQ(108 * slices_for_depth(10, 0.168), 6588);
  EXPECT_EQ(option.frames, 108 * (std::ceil(10 / option.step_mm) + 1));
}

TEST(Plan, StepsAreWholeDegreesAndViewsOverlapAsAsked) {
  for (const double overlap : {0.5, 0.7, 0.8, 0.9, 0.95}) {
    for (const double elevation_deg : {0.0, 25.0, 50.0, 80.0}) {
      const int count = stations_for_overlap(120, overlap, radians(elevation_deg));
      EXPECT_EQ(360 % count, 0);
      // The angle between neighbouring viewing directions at an elevation.
      const double apart = 2 * std::asin(std::cos(radians(elevation_deg)) * std::sin(kPi / count));
      if (count > 4) {
        EXPECT_LE(degrees(apart), 120 * (1 - overlap) + 1e-9);
      }
    }
  }
}

TEST(Plan, DepthAtAStationIsWhatTheCameraSeesThere) {
  const PlanWish wish = beetle();
  EXPECT_NEAR(depth_seen_mm(wish, 0, 0), 6, 1e-12);
  EXPECT_NEAR(depth_seen_mm(wish, kPi / 2, 0), 8, 1e-12);
  EXPECT_NEAR(depth_seen_mm(wish, 0, kPi / 2), 12, 1e-9);
  PlanWish round = wish;
  round.diameter_mm = 9;
  EXPECT_NEAR(depth_seen_mm(round, 0.7, 0), 9, 1e-12);
}

// Every corner of the specimen's box lies inside the series of every station.
TEST(Plan, SeriesHoldTheWholeSpecimenAtEveryStation) {
  const CapturePlan plan = plan_capture(beetle(), {one_to_one()});
  for (const PlannedRing& ring : plan.rings) {
    for (const PlannedStation& station : ring.stations) {
      const double last = station.first_mm - (station.slices - 1) * plan.chosen.step_mm;
      EXPECT_NEAR(station.first_mm, -last, 1e-9);
      for (int corner = 0; corner < 8; ++corner) {
        const double x = (corner & 1 ? 0.5 : -0.5) * 6;  // along the view at angle 0
        const double y = (corner & 2 ? 0.5 : -0.5) * 8;
        const double z = (corner & 4 ? 0.5 : -0.5) * 12;
        const double level = x * std::cos(station.stage_angle) - y * std::sin(station.stage_angle);
        const double towards = level * std::cos(ring.elevation) + z * std::sin(ring.elevation);
        EXPECT_LE(std::abs(towards), station.first_mm + 1e-9);
      }
    }
  }
}

TEST(Plan, ChosenSetupServesWithTheFewestFramesOfAll) {
  const Setups setups = all_presets();
  const PlanSettings settings;
  const CapturePlan plan = plan_capture(beetle(), setups, settings);
  ASSERT_TRUE(plan.possible);
  EXPECT_LE(plan.chosen.resolution_um, 20);
  for (const auto& setup : setups) {  // the whole search, one by one
    for (const double n : settings.f_numbers) {
      const PlanOption option = weigh(beetle(), setup, n, settings);
      if (option.fits && option.resolves) {
        EXPECT_GE(option.frames, plan.frames) << setup.name;
      }
    }
  }
  double slices = 0;
  for (const PlannedRing& ring : plan.rings) {
    for (const PlannedStation& station : ring.stations) slices += station.slices;
  }
  EXPECT_EQ(slices, plan.frames);
}

TEST(Plan, ClosingTheApertureSavesFramesUntilDiffractionForbids) {
  const PlanOption open = weigh(beetle(), one_to_one(), 4);
  const PlanOption closed = weigh(beetle(), one_to_one(), 8);
  const PlanOption shut = weigh(beetle(), one_to_one(), 22);
  EXPECT_LT(closed.frames, 0.6 * open.frames);
  EXPECT_TRUE(closed.resolves);
  EXPECT_FALSE(shut.resolves);
}

// Common practice, no source: long macro lens above about 4 cm, 1 to 5 times macro down to 1 or 2
// mm, objectives below. The arithmetic leads to the same choices.
TEST(Plan, SizesLeadToTheLensesOfCommonPractice) {
  const Setups setups = all_presets();
  PlanWish wish;
  wish.height_mm = 60;
  wish.diameter_mm = 40;
  wish.detail_um = 60;
  EXPECT_LT(plan_capture(wish, setups).chosen.magnification, 1);
  wish.height_mm = 4;
  wish.diameter_mm = 3;
  wish.detail_um = 6;
  const CapturePlan small = plan_capture(wish, setups);
  EXPECT_TRUE(small.possible);
  EXPECT_FALSE(small.chosen.objective);
  EXPECT_GE(small.chosen.magnification, 1);
  wish.height_mm = 0.5;
  wish.diameter_mm = 0.4;
  wish.detail_um = 1.2;
  const CapturePlan tiny = plan_capture(wish, setups);
  EXPECT_TRUE(tiny.possible);
  EXPECT_TRUE(tiny.chosen.objective);
}

TEST(Plan, SaysWhatAnImpossibleWishWouldCost) {
  PlanWish wish;
  wish.height_mm = 60;
  wish.diameter_mm = 40;
  wish.detail_um = 5;
  const CapturePlan plan = plan_capture(wish, all_presets());
  EXPECT_FALSE(plan.possible);
  ASSERT_EQ(plan.advice.front().severity, Severity::fault);
  EXPECT_THAT(plan.advice.front().remedy, testing::HasSubstr("Accept a detail of"));
  // The plan that is made is for that detail, and it can be had.
  EXPECT_GT(plan.planned_detail_um, 5);
  wish.detail_um = plan.planned_detail_um;
  const CapturePlan relaxed = plan_capture(wish, all_presets());
  EXPECT_TRUE(relaxed.possible);
  EXPECT_EQ(relaxed.frames, plan.frames);
  EXPECT_EQ(relaxed.chosen.setup, plan.chosen.setup);
  // Views side by side can't be described in specimen.toml, so they are not proposed.
  EXPECT_THAT(plan.advice.front().remedy, testing::Not(testing::HasSubstr("side by side")));
}

TEST(Plan, RefusesNonsense) {
  const Setups setup{one_to_one()};
  EXPECT_THROW(plan_capture(beetle(), {}), Error);
  for (const double bad : {0.0, -1.0, std::nan(""), HUGE_VAL, 1e9}) {
    PlanWish wish = beetle();
    wish.height_mm = bad;
    EXPECT_THROW(plan_capture(wish, setup), Error) << bad;
    wish = beetle();
    wish.detail_um = bad;
    EXPECT_THROW(plan_capture(wish, setup), Error) << bad;
    PlanSettings settings;
    settings.slice_overlap = bad == 0.0 ? 1.0 : bad;
    EXPECT_THROW(plan_capture(beetle(), setup, settings), Error) << bad;
    settings = {};
    settings.f_numbers = {bad};
    EXPECT_THROW(plan_capture(beetle(), setup, settings), Error) << bad;
    settings = {};
    settings.elevations_deg = {bad == 0.0 ? 90.0 : bad * 1e3};
    EXPECT_THROW(plan_capture(beetle(), setup, settings), Error) << bad;
  }
}

TEST(Plan, DarkOnBlackIsAFault) {
  PlanWish wish = beetle();
  wish.surface = Surface::dark;
  wish.black_backdrop = true;
  const CapturePlan plan = plan_capture(wish, {one_to_one()});
  EXPECT_TRUE(std::any_of(plan.advice.begin(), plan.advice.end(), [](const Finding& finding) {
    return finding.severity == Severity::fault && finding.what.starts_with("Dark on black");
  }));
}

TEST(Plan, WarnsOfFlashesFromThreeASecond) {
  PlanSettings settings;
  settings.settle_s = 0.1;
  settings.transfer_s = 0;
  settings.recycle_s = 0.2;
  const CapturePlan plan = plan_capture(beetle(), {one_to_one()}, settings);
  EXPECT_TRUE(std::any_of(plan.advice.begin(), plan.advice.end(), [](const Finding& finding) {
    return finding.severity == Severity::doubt &&
           finding.remedy.find("below 3 a second") != std::string::npos;
  }));
}

// Whatever the flash, whatever the magnification, and before any number.
TEST(Plan, CautionsStandBeforeTheNumbers) {
  PlanSettings fast;
  fast.settle_s = fast.transfer_s = 0;
  fast.recycle_s = 0.05;
  for (const PlanSettings& settings : {PlanSettings{}, fast}) {
    const std::string text = plan_text(plan_capture(beetle(), {one_to_one()}, settings));
    std::string on_one_line = text.substr(0, text.find("finest detail"));
    ASSERT_LT(on_one_line.size(), text.size());
    for (std::size_t at; (at = on_one_line.find("\n  ")) != std::string::npos;) {
      on_one_line.replace(at, 3, " ");
    }
    EXPECT_TRUE(on_one_line.starts_with(cautions_rule()));
    for (const Caution& caution : cautions()) {
      EXPECT_NE(on_one_line.find(caution.text), std::string::npos) << caution.subject;
    }
  }
  for (const char* subject : {"Flashing light", "Fluids", "Moving stage"}) {
    EXPECT_TRUE(std::any_of(cautions().begin(), cautions().end(),
                            [&](const Caution& caution) { return caution.subject == subject; }));
  }
}

TEST(Plan, CautionsFoldWithinEightyColumns) {
  std::istringstream text(plan_text(plan_capture(beetle(), {one_to_one()})));
  std::string line;
  while (std::getline(text, line) && !line.empty()) EXPECT_LT(line.size(), 80U) << line;
}

}  // namespace plan_test
}  // namespace trunnion::plan
