// Refine: one observation of a point through the rig, as a residual and as a block of normal
// equations. Poses and their derivatives are the same for all observations of a view, so they are
// made once an evaluation.
#pragma once

#include <ceres/ceres.h>

#include <array>
#include <vector>

#include "stages/refine/rig.h"
#include "stages/refine/tracks.h"

namespace trunnion::refine {

// Pose of a view and its derivatives by axis step (0-4), stage angle (5), mount (6-11), tilt (12)
// and line of the second axis (13-16).
struct ViewFrame {
  Eigen::Matrix3d R;
  Eigen::Vector3d t;
  std::array<Eigen::Matrix3d, 17> dR;
  std::array<Eigen::Vector3d, 17> dt;
};

// The frames of all views at the values it was made with; an adjustment keeps them fresh.
class RigFrames : public ceres::EvaluationCallback {
 public:
  RigFrames(const RigModel& model, const RigValues& values);
  void PrepareForEvaluation(bool evaluate_jacobians, bool new_evaluation_point) override;
  [[nodiscard]] const ViewFrame& operator[](std::size_t view) const { return frames_[view]; }

 private:
  const RigModel& model_;
  const RigValues& values_;
  std::vector<ViewFrame> frames_;
};

// `frames` must outlive the problem and be its evaluation callback.
void add_observation(ceres::Problem& problem, const RigModel& model, RigValues& values,
                     const RigFrames& frames, const TrackView& seen, Eigen::Vector3d& position_mm,
                     double sigma_px, ceres::LossFunction* loss);

// The part of the normal equations that one point makes.
struct PointBlocks {
  std::vector<int> parameters;  // of the rig, in the order of ParameterIndex
  Eigen::MatrixXd normal;       // among them
  Eigen::MatrixXd cross;        // with the point: parameters x 3
  Eigen::Matrix3d inverse;      // of the point's own block
};

PointBlocks point_blocks(const RigModel& model, const RigValues& values, const RigFrames& frames,
                         const Track& track, double sigma_px, const ParameterIndex& index);

}  // namespace trunnion::refine
