#include "config/toml_writer.h"

#include <gtest/gtest.h>

#include "config/presets.h"

namespace trunnion {
namespace toml_writer_test {

// TOML 1.0, "String": basic strings escape quotation marks, backslashes and control characters.
TEST(TomlText, EscapesAsTheStandardAsks) {
  EXPECT_EQ(toml_text("plain"), "\"plain\"");
  EXPECT_EQ(toml_text("a \"b\" \\"), "\"a \\\"b\\\" \\\\\"");
  EXPECT_EQ(toml_text("a\nb\x7f"), "\"a\\u000Ab\\u007F\"");
}

TEST(SetupToml, EveryPresetSurvivesWritingAndReading) {
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

TEST(SetupToml, AnUnusualSetupSurvivesToo) {
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

}  // namespace toml_writer_test
}  // namespace trunnion
