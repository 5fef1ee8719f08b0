// The set with its camera poses: the result of orient and refine, the input of annotate, export and
// report. World and camera frames: see turntable.h and pose.h.
#pragma once

#include <Eigen/Core>
#include <array>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "core/camera.h"
#include "core/pose.h"
#include "core/specimen_record.h"

namespace trunnion {

// What stands behind a pose.
//   confirmed      the images themselves show it, apart from what the files say
//   turntable only it follows from axis and stage angle; the images neither confirm nor contradict
//   it contradicted   the images disagree with the pose given: an image of another station or
//                  specimen, a wrong angle or step. Its covariance is as wide as the ignorance
enum class PoseState : std::uint8_t { turntable_only, confirmed, contradicted };

[[nodiscard]] constexpr std::string_view name_of(PoseState state) {
  switch (state) {
    case PoseState::confirmed:
      return "confirmed";
    case PoseState::contradicted:
      return "contradicted";
    case PoseState::turntable_only:
      break;
  }
  return "turntable only";
}

struct View {
  std::string name;         // unique, file name without folder and extension
  std::string image_file;   // relative to prepared/, forward slashes
  std::string mask_file;    // relative to prepared/; empty where no mask was made
  std::string source_file;  // the fused image, relative to the workspace
  std::string ring;
  int station = 0;
  double stage_angle = 0;        // rad, signed by the direction of turning
  double sigma_stage_angle = 0;  // rad
  double tilt = 0;               // rad, about the second axis, as given or calibrated
  double reference_mm = 0;       // camera further back than in the axis calibration by so much
  double sigma_reference_mm = 0;
  Pose prior;
  PoseCovariance prior_covariance = PoseCovariance::Zero();
  Pose pose;  // refined where Scene::refined, else equal to prior
  PoseCovariance covariance = PoseCovariance::Zero();
  PoseState state = PoseState::turntable_only;
};

struct Observation {
  std::size_t view = 0;                                   // index into Scene::views
  Eigen::Vector2d position_px = Eigen::Vector2d::Zero();  // in the written, undistorted image
  double residual_px = 0;
};

struct TiePoint {
  Eigen::Vector3d position_mm = Eigen::Vector3d::Zero();  // world
  Eigen::Matrix3d covariance = Eigen::Matrix3d::Zero();
  std::array<std::uint8_t, 3> rgb{128, 128, 128};
  std::vector<Observation> observations;
};

struct Scene {
  std::string title;
  SpecimenRecord record;
  std::string setup_name;
  Camera camera;         // of the written images: no distortion where they were undistorted
  Camera source_camera;  // of the fused images, with distortion
  double pixel_pitch_um = 0;
  bool lens_calibrated = false;
  bool axis_calibrated = false;  // false: nominal geometry, wide sigmas
  bool refined = false;
  std::string calibration_hash;  // empty where nominal
  std::vector<View> views;       // ring by ring, by station
  std::vector<TiePoint> tie_points;
};

}  // namespace trunnion
