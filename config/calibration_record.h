// The calibration record of a setup, setups/NAME.calibration.json: its lens calibration and its
// rotation axis, with uncertainties and provenance. Described by
// docs/calibration-record.schema.json.
#pragma once

#include <Eigen/Core>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "config/setup.h"
#include "core/camera.h"
#include "core/turntable.h"

namespace trunnion {

// Where the numbers come from: enough to repeat the calibration.
struct Provenance {
  std::string date;          // ISO 8601
  std::string tool_version;  // of trunnion
  std::vector<std::string> images;
  std::vector<std::string> image_hashes;  // beside images
  std::vector<std::string> notes;         // warnings that stay with the record
};

struct LensCalibration {
  Camera camera;
  // Order of the covariance: fx fy cx cy k1 k2 p1 p2 k3. Parameters held fixed have zero rows.
  Eigen::Matrix<double, 9, 9> covariance = Eigen::Matrix<double, 9, 9>::Zero();
  std::string model;  // the model that was chosen, in words
  double rms_px = 0;
  int images_used = 0;
  int corners_used = 0;
  double magnification = 0;  // measured at the plane of focus; 0 where unknown
  double magnification_sigma = 0;
  std::string quality;  // "good", "fair" or "poor"
  Provenance provenance;
};

// Of the plane of focus, by a stage micrometer.
struct ScaleCalibration {
  double mm_per_px = 0;
  double mm_per_px_sigma = 0;
  int rulings = 0;
  Provenance provenance;
};

struct RingAxis {
  std::string ring;      // as in specimen.toml; empty: every ring of that elevation
  double elevation = 0;  // rad, found
  Axis axis;             // camera frame
  AxisCovariance covariance = AxisCovariance::Zero();
  // With the lens (fx fy cx cy k1 k2 p1 p2 k3), where both were calibrated in one call; else zero.
  Eigen::Matrix<double, 5, 9> covariance_with_lens = Eigen::Matrix<double, 5, 9>::Zero();
  // rad, added to the ring's stage angles: the camera's azimuth against the first ring's, where it
  // was moved between rings.
  double azimuth = 0;
  // The second axis and how far it was tilted for this ring, where the stage has one; angle 0 and
  // no covariance where it has none.
  Tilt tilt{};
};

// Whether the ring stands on a stage with a second axis.
[[nodiscard]] bool tilts(const RingAxis& ring);

struct AxisCalibration {
  std::vector<RingAxis> rings;
  double sigma_angle = 0;  // rad, of a single stage angle
  double rms_px = 0;       // average mean reprojection error
  // Rail position of the reference slice of the boards, as in a shot list.
  double reference_mm = 0;
  std::string quality;
  Provenance provenance;
};

struct CalibrationRecord {
  std::string setup_name;
  // The values of the setup that the calibration depends on, as they were.
  double pixel_pitch_um = 0;
  double focal_length_mm = 0;
  double magnification = 0;  // mark
  double extension_mm = 0;
  double converter = 1;
  double f_number = 0;
  FocusMotion moves = FocusMotion::rail;
  bool rescaled = true;
  ReferenceSlice reference = ReferenceSlice::middle;
  std::optional<LensCalibration> lens;
  std::optional<ScaleCalibration> scale;
  std::optional<AxisCalibration> axis;
  std::string hash;  // of the file's bytes when read; not written
};

// setups/NAME.toml -> setups/NAME.calibration.json
std::filesystem::path record_path(const std::filesystem::path& setup_file);

// Copies from the setup what the calibration depends on.
CalibrationRecord record_for(const Setup& setup);

// Empty where the record fits the setup; else one sentence per differing field. A rail series with
// another reference slice was taken with the same camera from another place: that differs only
// where the record holds an axis, and not where `reference_given` says that rail positions are
// given.
std::vector<std::string> mismatches(const CalibrationRecord& record, const Setup& setup,
                                    bool reference_given = false);

// Lateral magnification as measured, best first: by the micrometer, by the boards; 0: not measured.
double measured_magnification(const CalibrationRecord& record);

// Throw data errors that name the file and the field.
CalibrationRecord read_record(const std::filesystem::path& file);
CalibrationRecord parse_record(std::string_view text, const std::string& name);
std::string record_to_json(const CalibrationRecord& record);
void write_record(const std::filesystem::path& file, const CalibrationRecord& record);

}  // namespace trunnion
