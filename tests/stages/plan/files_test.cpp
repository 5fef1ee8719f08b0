#include "stages/plan/plan.h"

#include <gtest/gtest.h>

#include <cmath>

#include "config/presets.h"
#include "config/settings.h"
#include "core/error.h"

namespace trunnion::plan {
namespace files_test {

CapturePlan plan_of(const std::string& title) {
  PlanWish wish;
  wish.title = title;
  wish.height_mm = 12;
  wish.diameter_mm = 9;
  wish.detail_um = 20;
  PlanSettings settings;
  settings.elevations_deg = {-12.5, 0, 50.125};
  return plan_capture(wish, {read_preset("23x16-macro100-1-1")}, settings);
}

TEST(PlanFiles, TheSpecimenFileIsReadAsPlanned) {
  const CapturePlan plan = plan_of("Beetle \"12\" \\ \n\x01 = [ring]");
  const std::string text = specimen_toml(plan, "../setups/a \"b\".toml", BackdropKind::grey);
  const Specimen specimen = parse_specimen(text, "/collection/beetle/specimen.toml").specimen;
  EXPECT_EQ(specimen.title, plan.title);
  EXPECT_EQ(specimen.setup_file, "/collection/setups/a \"b\".toml");
  EXPECT_EQ(specimen.backdrop, BackdropKind::grey);
  ASSERT_EQ(specimen.rings.size(), plan.rings.size());
  for (std::size_t i = 0; i < plan.rings.size(); ++i) {
    const Ring& ring = specimen.rings[i];
    EXPECT_EQ(ring.name, plan.rings[i].name);
    EXPECT_NEAR(ring.elevation, plan.rings[i].elevation, 1e-7);
    ASSERT_EQ(static_cast<std::size_t>(ring.stations), plan.rings[i].stations.size());
    for (const PlannedStation& station : plan.rings[i].stations) {
      EXPECT_NEAR(ring.angle_of(station.station), station.stage_angle, 1e-9);
    }
  }
}

TEST(PlanFiles, EveryPresetSurvivesWritingAndReading) {
  for (const std::string& name : preset_names()) {
    const auto before = read_preset(name);
    const auto after = parse_setup(setup_toml(before), name + ".toml");
    EXPECT_EQ(after.name, before.name);
    EXPECT_EQ(after.title, before.title);
    EXPECT_EQ(after.body_text, before.body_text);
    EXPECT_EQ(after.lens_text, before.lens_text);
    EXPECT_EQ(after.width_px, before.width_px);
    EXPECT_EQ(after.height_px, before.height_px);
    EXPECT_EQ(after.pixel_pitch_um, before.pixel_pitch_um);
    EXPECT_EQ(after.kind, before.kind);
    EXPECT_EQ(after.focal_length_mm, before.focal_length_mm);
    EXPECT_EQ(after.magnification, before.magnification);
    EXPECT_EQ(after.extension_mm, before.extension_mm);
    EXPECT_EQ(after.f_number, before.f_number);
    EXPECT_EQ(after.numerical_aperture, before.numerical_aperture);
    EXPECT_EQ(after.tube_focal_length_mm, before.tube_focal_length_mm);
    EXPECT_EQ(after.moves, before.moves);
    EXPECT_EQ(after.rescaled, before.rescaled);
    EXPECT_EQ(after.reference, before.reference);
  }
}

TEST(PlanFiles, TheSetupStandsAsPlanned) {
  const CapturePlan plan = plan_of("beetle");  // higher than wide
  ASSERT_TRUE(plan.chosen.turned);
  EXPECT_TRUE(plan.chosen.portrait);
  const auto preset = read_preset("23x16-macro100-1-1");
  const auto turned = setup_as_planned(preset, plan.chosen);
  EXPECT_EQ(turned.width_px, preset.height_px);
  EXPECT_EQ(turned.height_px, preset.width_px);
  EXPECT_EQ(turned.f_number, plan.chosen.f_number);
  // Planned with that setup the camera stays as it is.
  PlanWish wish;
  wish.height_mm = 12;
  wish.diameter_mm = 9;
  wish.detail_um = 20;
  const PlanOption again = plan_capture(wish, {turned}).chosen;
  EXPECT_FALSE(again.turned);
  EXPECT_TRUE(again.portrait);
  EXPECT_NEAR(again.field_width_mm, plan.chosen.field_width_mm, 1e-9);
}

TEST(PlanFiles, AnUnusualSetupSurvivesToo) {
  auto setup = read_preset("23x16-macro60-bellows-2x");
  setup.extension_mm = 12.5;
  setup.converter = 1.4;
  setup.pupil_magnification = 0.8;
  setup.working_distance_mm = 61.25;
  setup.lens_serial = "=\"7\"";
  setup.moves = FocusMotion::lens;
  setup.rescaled = false;
  setup.reference = ReferenceSlice::first;
  const auto after = parse_setup(setup_toml(setup), setup.name + ".toml");
  EXPECT_EQ(after.extension_mm, setup.extension_mm);
  EXPECT_EQ(after.converter, setup.converter);
  EXPECT_EQ(after.pupil_magnification, setup.pupil_magnification);
  EXPECT_EQ(after.working_distance_mm, setup.working_distance_mm);
  EXPECT_EQ(after.lens_serial, setup.lens_serial);
  EXPECT_EQ(after.moves, setup.moves);
  EXPECT_EQ(after.rescaled, setup.rescaled);
  EXPECT_EQ(after.reference, setup.reference);
}

}  // namespace files_test
}  // namespace trunnion::plan
