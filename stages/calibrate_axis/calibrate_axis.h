// Axis calibration: where the rotation axis of the stage lies in the camera's frame, from a
// board fixed on the stage and seen at known stage angles. Four stations will do, and only
// part of the turn need show the board; widely spread angles calibrate best (G. Bisogni et al.,
// "Automatic calibration of a two-axis rotary table for 3D scanning purposes", Sensors 20(24):7107,
// 2020, whose quality figure, the average mean reprojection error, is the one reported here).
//
// For a corner X (board frame, mm) seen by station i of ring r at stage angle a_i:
//   pixel = project(camera, camera_from_stage(axis_r) Rz(a_i + azimuth_r + e_i) (B X))
// B places the board on the stage; e_i is the error of a stage angle, with its prior sigma;
// azimuth_r is the camera's azimuth in ring r against the first ring's. Minimised over axes, B,
// angle errors and, while the angles are judged, the camera, which has the lens record's covariance
// as its prior:
//   sum rho(|projected - seen|^2 / sigma_px^2) + priors.
// The last solution holds the camera at the record's: images are undistorted and posed with that
// one, so the axis must belong to it. The covariance adds what the camera's own uncertainty does to
// the axis to what the boards leave with the camera given. With AxisRequest::joint the last
// solution finds camera and axis together, with the covariance of both.
// With a second axis (turntable.h) all rings share one axis and one place of the board, and the
// line of the second axis and the tilt of every ring but the least tilted, which is believed, are
// found:
//   pixel = project(camera, camera_from_stage(axis) Rz(a_i + e_i) T(tilt_r) (B X)), or T before Rz.
// Gauge: the origin is the point of the axis next to the first ring's optical axis, azimuth 0 is
// the first ring's camera (turntable.h). sigma_px is estimated from the residuals; the covariance
// is that of the normal equations at the solution.
//
// Before that the numbering of the corners is settled where single images leave it open
// (numbering.h), and the angles are checked: the board's poses alone show how far the stage really
// turned, so a wrong sign, a wrong step, a slipped stage and a board that moved can be
// distinguished.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "config/calibration_record.h"
#include "core/board_numbering.h"
#include "core/camera.h"
#include "core/checkerboard.h"
#include "core/finding.h"

namespace trunnion::calibrate_axis {

struct AxisSighting {
  std::string name;        // of the image
  std::size_t ring = 0;    // index into AxisRequest::rings
  double stage_angle = 0;  // rad, signed by the direction of turning
  std::vector<BoardCorner> corners;
  // Where the corners are not numbered as the board's (a half turn is open, or only a part is
  // seen): the part of the board that they number from (0, 0). The images of the call settle it.
  std::optional<BoardPart> part = std::nullopt;
};

// A camera with the covariance of fx fy cx cy k1 k2 p1 p2 k3.
struct CameraKnowledge {
  Camera camera;
  Eigen::Matrix<double, 9, 9> covariance = Eigen::Matrix<double, 9, 9>::Zero();
};

struct AxisRequest {
  Camera camera;
  Eigen::Matrix<double, 9, 9> camera_covariance = Eigen::Matrix<double, 9, 9>::Zero();
  // Where the camera is calibrated with the axis, in one adjustment: what is known of it apart from
  // these sightings. `camera` is then where the adjustment starts.
  std::optional<CameraKnowledge> joint = std::nullopt;
  BoardPattern pattern;
  std::vector<std::string> rings;  // names; one empty name where there is but one
  std::vector<double> elevations;  // rad, nominal, beside `rings`
  // rad, given, one per ring of `rings`: about the second axis, the camera staying where it is.
  // Empty: none.
  std::vector<double> tilts;
  TiltKind tilt_kind = TiltKind::specimen;    // what the second axis carries; the board rides on it
  double tilt_azimuth = 1.57079632679489662;  // rad, approximate; fixes the sign of the tilt
  std::vector<AxisSighting> sightings;
};

struct AxisOptions {
  double sigma_angle = 0.00087;  // rad (0.05 degrees) of a stage angle: encoder and backlash
  double sigma_azimuth = 0.035;  // rad (2 degrees) of a further ring's azimuth: moved by hand
  double sigma_tilt = 0.0175;    // rad (1 degree) of a tilt given
  int fewest_stations = 4;
  int fewest_corners = 10;  // of a sighting
};

struct AxisStation {
  std::string name;
  std::size_t ring = 0;
  int corners = 0;
  double mean_error_px = 0;   // mean reprojection error
  double angle_error = 0;     // rad, found minus given
  double angle_sigma = 0;     // rad
  double measured_angle = 0;  // rad, by the board alone, relative to the first station of the ring
  double wobble = 0;          // rad, tilt of the turning axis here against the mean axis
  double runout_mm = 0;       // shift of the axis across itself here
};

enum class AxisFault {
  none,
  wrong_sign,
  wrong_step,
  slipped,
  board_moved,
  wrong_angle,
  wrong_tilt,
  unclear,
  numbering  // which corner is which can't be settled
};
[[nodiscard]] const char* name_of(AxisFault fault);

struct AxisResult {
  bool accepted = false;
  AxisCalibration calibration;
  AxisFault fault = AxisFault::none;
  std::string fault_station;    // the first station concerned; empty where all are
  double found_step_ratio = 1;  // measured over given turning
  std::vector<AxisStation> stations;
  Pose stage_from_board;
  std::optional<CameraKnowledge> camera;  // found, where it was calibrated with the axis
  double rms_px = 0;                      // root mean square reprojection error
  double mean_error_px = 0;               // average mean reprojection error (Bisogni et al.)
  double sigma_px = 0;                    // of a coordinate of a corner
  double wobble_rms = 0;                  // rad, with the measurement's own noise
  double wobble_noise = 0;                // rad, of one station, from the covariance of its pose
  double eccentricity_mm = 0;             // RMS run-out
  double eccentricity_noise_mm = 0;
  std::vector<double> azimuths;  // rad, of the camera, a ring; 0 for the first
  std::string sentence;          // the verdict in words
  Findings findings;
};

// Throws a data error where there are too few sightings to say anything.
AxisResult calibrate_axis(const AxisRequest& request, const AxisOptions& options = {});

// Axis calibration: rings of an earlier calibration that were not calibrated again stay in the
// record.

struct KeptRings {
  AxisCalibration calibration;     // the new one and what is kept of the earlier one
  std::vector<std::string> names;  // of the rings kept
  Findings findings;
};

// A ring is replaced by one of its name; a calibration without ring names replaces all rings within
// 3 degrees of its elevation, since it would serve them. Kept axes are carried to the new
// calibration's reference slice. A ring calibrated by itself does not show the camera's azimuth
// against the other rings: it keeps the one it had, and a doubt says so.
KeptRings with_kept_rings(const AxisCalibration& before, const AxisCalibration& now);

}  // namespace trunnion::calibrate_axis
