// Advice followed to the letter.
#include <fmt/format.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdlib>
#include <optional>

#include "config/presets.h"
#include "core/error.h"
#include "datasets/random.h"
#include "stages/plan/plan.h"

namespace trunnion::plan {
namespace advice_test {

// The number that stands behind a phrase of the advice.
std::optional<double> number_after(const std::string& text, const std::string& phrase) {
  const std::size_t at = text.find(phrase);
  if (at == std::string::npos) return std::nullopt;
  return std::strtod(text.c_str() + at + phrase.size(), nullptr);
}

PlanWish round_wish(double height_mm, double diameter_mm) {
  PlanWish wish;
  wish.height_mm = height_mm;
  wish.diameter_mm = diameter_mm;
  wish.detail_um = 25;
  return wish;
}

PlanWish impossible_wish(demo::Draws& draws) {
  PlanWish wish;
  wish.height_mm = std::exp(draws.uniform(std::log(0.5), std::log(80)));
  wish.diameter_mm = wish.height_mm * draws.uniform(0.4, 1.6);
  wish.detail_um = std::exp(draws.uniform(std::log(0.3), std::log(30)));
  return wish;
}

// Best that the formulas allow for a magnification, found by bisection on the answer itself.
double largest_magnification(const PlanWish& wish, Setup setup) {
  double low = 1e-3;
  double high = 60;
  for (int i = 0; i < 60; ++i) {
    const double middle = std::sqrt(low * high);
    setup.measured_magnification = middle;
    (weigh(wish, setup, setup.f_number).fits ? low : high) = middle;
  }
  return low;
}

// Empty where there are more frames than a plan can be made for: that is refused in a sentence.
std::optional<CapturePlan> plan_for(const PlanWish& wish, const std::vector<Setup>& setups) {
  try {
    return plan_capture(wish, setups);
  } catch (const Error&) {
    return std::nullopt;
  }
}

// Accepted in 100 of 100, and within 2 % of the best that the formulas allow.
TEST(PlanAdvice, HundredImpossibleWishesAreMetByFollowingItLiterally) {
  const std::vector<std::string> names = preset_names();
  demo::Draws draws(1001, 23);
  int tried = 0;
  int details = 0;
  int magnifications = 0;
  int margins = 0;
  while (tried < 100) {
    const PlanWish wish = impossible_wish(draws);
    const auto setup = read_preset(names[static_cast<std::size_t>(draws.next() % names.size())]);
    const std::optional<CapturePlan> plan = plan_for(wish, {setup});
    if (!plan || plan->possible) continue;
    ++tried;
    const std::string& remedy = plan->advice.front().remedy;
    PlanWish follow = wish;
    auto advised = setup;
    if (const auto detail = number_after(remedy, "Accept a detail of ")) {
      follow.detail_um = *detail;
      EXPECT_LE(*detail, 1.02 * plan->options.front().focused_um());
      ++details;
    } else {
      const auto magnification = number_after(remedy, "a magnification of ");
      ASSERT_TRUE(magnification) << remedy;
      advised.measured_magnification = *magnification;
      EXPECT_GE(*magnification, 0.98 * largest_magnification(wish, setup));
      if (const auto finest = number_after(remedy, "accept a detail of ")) {
        follow.detail_um = *finest;
      }
      ++magnifications;
    }
    EXPECT_TRUE(plan_capture(follow, {advised}).possible)
        << remedy << " " << setup.name << " " << wish.height_mm << " " << wish.detail_um;
    if (const auto margin = number_after(remedy, "--frame-margin ")) {
      PlanSettings settings;
      settings.frame_margin = *margin / 100;
      EXPECT_TRUE(plan_capture(wish, {setup}, settings).possible) << remedy;
      ++margins;
    }
  }
  fmt::print("{} details, {} magnifications, {} margins\n", details, magnifications, margins);
  EXPECT_GT(details, 10);
  EXPECT_GT(magnifications, 10);
}

// A specimen that fills a fifth of the frame either way: the camera stays as it is.
TEST(PlanAdvice, TheCameraIsTurnedOnlyWhereThatIsNeededOrAskedFor) {
  const auto setup = read_preset("23x16-macro100-1-1");
  PlanWish wish = round_wish(3, 1.5);
  EXPECT_FALSE(plan_capture(wish, {setup}).chosen.turned);
  PlanSettings settings;
  settings.orientation = Orientation::portrait;
  EXPECT_TRUE(plan_capture(wish, {setup}, settings).chosen.portrait);
  wish.height_mm = 17;
  wish.diameter_mm = 6;
  EXPECT_TRUE(plan_capture(wish, {setup}).chosen.turned);
  settings.orientation = Orientation::landscape;
  EXPECT_FALSE(plan_capture(wish, {setup}, settings).possible);
}

TEST(PlanAdvice, TheCropHoldsTheTurningSpecimenWithItsMargins) {
  const auto setup = read_preset("23x16-macro100-1-1");
  PlanWish wish = round_wish(3, 4);
  PlanSettings settings;
  settings.elevations_deg = {0};
  const CapturePlan plan = plan_capture(wish, {setup}, settings);
  const FrameUse use = frame_use(plan, wish, settings);
  const double usable = 1 - 2 * settings.frame_margin;
  EXPECT_GE(use.crop_width_px * plan.chosen.pixel_um * usable, 4000);
  EXPECT_GE(use.crop_height_px * plan.chosen.pixel_um * usable, 3000);
  EXPECT_LT(use.crop_width_px * plan.chosen.pixel_um * usable, 4000 + 16 * plan.chosen.pixel_um);
  EXPECT_NEAR(
      use.saved,
      1 - 1.0 * use.crop_width_px * use.crop_height_px / (1.0 * setup.width_px * setup.height_px),
      1e-3);
}

// One range a ring holds every station's own, and costs what it shows.
TEST(PlanAdvice, OneRangeServesAllStationsOfARing) {
  const auto setup = read_preset("23x16-macro100-1-1");
  PlanWish wish;
  wish.height_mm = 6;
  wish.width_mm = 9;
  wish.depth_mm = 3;
  wish.detail_um = 25;
  PlanSettings settings;
  const CapturePlan shortest = plan_capture(wish, {setup}, settings);
  settings.same_range = true;
  const CapturePlan same = plan_capture(wish, {setup}, settings);
  double slices = 0;
  for (std::size_t r = 0; r < same.rings.size(); ++r) {
    for (std::size_t i = 0; i < same.rings[r].stations.size(); ++i) {
      const PlannedStation& station = same.rings[r].stations[i];
      EXPECT_EQ(station.slices, same.rings[r].stations[0].slices);
      EXPECT_EQ(station.first_mm, same.rings[r].stations[0].first_mm);
      EXPECT_GE(station.depth_mm, shortest.rings[r].stations[i].depth_mm);
      slices += station.slices;
    }
  }
  EXPECT_EQ(slices, same.frames);
  EXPECT_GT(same.frames, shortest.frames);
}

TEST(PlanAdvice, WhatIfHasTheChosenApertureAsPlanned) {
  const auto setup = read_preset("23x16-macro100-1-1");
  PlanWish wish = round_wish(8, 8);
  const CapturePlan plan = plan_capture(wish, {setup});
  int chosen = 0;
  for (const PlanOption& row : what_if(plan, wish, setup, {})) {
    if (row.f_number != plan.chosen.f_number) continue;
    ++chosen;
    EXPECT_EQ(row.frames, plan.frames);
    EXPECT_EQ(row.seconds, plan.chosen.seconds);
  }
  EXPECT_EQ(chosen, 1);
}

}  // namespace advice_test
}  // namespace trunnion::plan
