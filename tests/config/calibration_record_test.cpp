#include "config/calibration_record.h"

#include <gtest/gtest.h>

#include "core/error.h"

namespace trunnion {
namespace calibration_record_test {

trunnion::Setup macro_setup() {
  trunnion::Setup setup;
  setup.name = "macro";
  setup.width_px = 6000;
  setup.height_px = 4000;
  setup.pixel_pitch_um = 4;
  setup.focal_length_mm = 100;
  setup.magnification = 1;
  setup.f_number = 8;
  return setup;
}

CalibrationRecord record_with_lens(Projection projection) {
  CalibrationRecord record = record_for(macro_setup());
  LensCalibration lens;
  lens.camera = {projection, 6000,    4000,    50123.456789012345,
                 50123.4,    3001.25, 1998.75, {-2.1, 95.0, 0.011, -0.008, 1.5}};
  for (int i = 0; i < 9; ++i) lens.covariance(i, i) = 1.0 / (i + 3);
  lens.covariance(0, 3) = lens.covariance(3, 0) = 1e-17;
  lens.model = "perspective, \"2\" radial terms";
  lens.rms_px = 0.123;
  lens.images_used = 14;
  lens.corners_used = 700;
  lens.magnification = 1.012;
  lens.magnification_sigma = 0.004;
  lens.quality = "good";
  lens.provenance = {"2024-05-01T10:00:00Z", "0.1.0", {"a.tif"}, {"00ff"}, {"a note"}};
  record.lens = lens;
  return record;
}

TEST(CalibrationRecord, SurvivesTheFileToTheLastBit) {
  for (const Projection projection : {Projection::perspective, Projection::telecentric}) {
    CalibrationRecord record = record_with_lens(projection);
    record.scale = {0.00123456789012345, 1e-7, 31, record.lens->provenance};
    const CalibrationRecord back = parse_record(record_to_json(record), "test");
    ASSERT_TRUE(back.lens);
    EXPECT_EQ(back.lens->camera, record.lens->camera);
    EXPECT_EQ(back.lens->covariance, record.lens->covariance);
    EXPECT_EQ(back.lens->model, record.lens->model);
    EXPECT_EQ(back.lens->provenance.notes, record.lens->provenance.notes);
    EXPECT_EQ(record_to_json(back), record_to_json(record));
  }
}

TEST(CalibrationRecord, TiltAndReferenceSurviveTheFile) {
  CalibrationRecord record = record_with_lens(Projection::perspective);
  record.axis.emplace();
  record.axis->reference_mm = -2.5;
  record.axis->rings.resize(2);
  Tilt& tilt = record.axis->rings[1].tilt;
  tilt.axis = {TiltKind::stage, 1.5, 0.02, 0.7, -0.4};
  tilt.angle = 0.31;
  tilt.covariance(4, 4) = 1e-6;
  const CalibrationRecord back = parse_record(record_to_json(record), "test");
  EXPECT_EQ(back.axis->reference_mm, -2.5);
  EXPECT_FALSE(tilts(back.axis->rings[0]));
  ASSERT_TRUE(tilts(back.axis->rings[1]));
  const Tilt& read = back.axis->rings[1].tilt;
  EXPECT_EQ(read.axis.kind, TiltKind::stage);
  EXPECT_NEAR(read.angle, 0.31, 1e-15);
  EXPECT_NEAR(read.axis.azimuth, 1.5, 1e-15);
  EXPECT_EQ(read.axis.height_mm, -0.4);
  EXPECT_EQ(read.covariance, tilt.covariance);
}

TEST(CalibrationRecord, TheDifferingFieldIsNamed) {
  const CalibrationRecord record = record_with_lens(Projection::perspective);
  EXPECT_TRUE(mismatches(record, macro_setup()).empty());
  {
    trunnion::Setup other = macro_setup();
    other.reference = ReferenceSlice::last;
    // From a rail the camera is the same, only its place is not: an axis differs, a lens doesn't.
    EXPECT_TRUE(mismatches(record, other).empty());
    CalibrationRecord with_axis = record;
    with_axis.axis.emplace();
    ASSERT_EQ(mismatches(with_axis, other).size(), 1U);
    EXPECT_NE(mismatches(with_axis, other)[0].find("fusion.reference"), std::string::npos);
    EXPECT_TRUE(mismatches(with_axis, other, true).empty());
    EXPECT_TRUE(mismatches(parse_record(record_to_json(record_for(other)), "r"), other).empty());
  }
  const auto differing = [&](auto change) {
    trunnion::Setup setup = macro_setup();
    change(setup);
    const auto found = mismatches(record, setup);
    EXPECT_EQ(found.size(), 1U);
    return found.empty() ? std::string() : found[0];
  };
  using S = trunnion::Setup;
  EXPECT_NE(differing([](S& s) { s.extension_mm = 12; }).find("extension_mm"), std::string::npos);
  EXPECT_NE(differing([](S& s) { s.f_number = 11; }).find("f_number"), std::string::npos);
  EXPECT_NE(differing([](S& s) { s.width_px = 3000; }).find("width_px"), std::string::npos);
  EXPECT_NE(differing([](S& s) { s.rescaled = false; }).find("rescaled"), std::string::npos);
  EXPECT_NE(differing([](S& s) { s.moves = FocusMotion::lens; }).find("moves"), std::string::npos);
  EXPECT_NE(differing([](S& s) { s.converter = 2; }).find("converter"), std::string::npos);
}

TEST(CalibrationRecord, ABrokenFileIsNamedWithTheField) {
  std::string text = record_to_json(record_with_lens(Projection::perspective));
  const auto at = text.find("\"rms_px\"");
  text.replace(at, 8, "\"rms\"");
  try {
    parse_record(text, "setups/macro.calibration.json");
    FAIL() << "accepted a record without rms_px";
  } catch (const Error& error) {
    EXPECT_NE(std::string(error.what()).find("setups/macro.calibration.json"), std::string::npos);
    EXPECT_NE(std::string(error.what()).find("rms_px"), std::string::npos);
  }
}

}  // namespace calibration_record_test
}  // namespace trunnion
