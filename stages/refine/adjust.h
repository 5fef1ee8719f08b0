// Refine, the adjustment: the rig's parameters and all points together, by least squares over the
// reprojection errors and the priors.
//
//   sum over observations  rho(|projected - seen|^2 / sigma_px^2)  +  priors (priors.h)
//
// with rho(s) = log(1 + s / w^2) w^2 (Cauchy). sigma_px is estimated from the residuals and the
// adjustment repeated, so that image evidence and priors are weighed honestly against each other.
// Residuals do not show errors that neighbouring points and views share: light that stands still
// while the specimen turns pulls the pattern of its relief along, and slow changes of the turning
// then look like changes of shape. So an observation weighs by sqrt(sigma_px^2 + common_px^2).
// Covariance: the inverse of the normal equations at the solution, points eliminated (Schur
// complement; Triggs et al., "Bundle adjustment, a modern synthesis", 2000, sections 6 and 9).
// Directions that no image determines (scale, height along the axis, azimuth) keep the priors'
// variance.
#pragma once

#include <vector>

#include "stages/refine/priors.h"
#include "stages/refine/rig.h"
#include "stages/refine/tracks.h"

namespace trunnion::refine {

struct AdjustOptions {
  FreeParameters free;
  double sigma_px = 1.0;    // first guess of an observation's sigma
  double common_px = 0.0;   // of what observations share, added to sigma_px in the weights
  double loss_width = 2.0;  // of the robust loss, in sigma_px
  double cut_sigmas = 4.0;  // observations further off are dropped between the rounds
  int rounds = 3;           // solve, drop, estimate sigma
  int max_iterations = 50;  // a round
};

struct AdjustResult {
  bool converged = false;
  int iterations = 0;
  double first_cost = 0;
  double final_cost = 0;
  double sigma_px = 0;  // estimated, a coordinate
  double rms_px = 0;    // over the kept observations: root mean square of |projected - seen|
  int observations = 0;
};

// Moves `values` and the positions of `tracks`, and drops observations and tracks that don't fit.
AdjustResult adjust(const RigModel& model, RigValues& values, std::vector<Track>& tracks,
                    const AdjustOptions& options);

struct AdjustCovariance {
  Eigen::MatrixXd images;  // information of the points alone, in the same order
  Eigen::MatrixXd rig;     // in the order of ParameterIndex
};

AdjustCovariance adjust_covariance(const RigModel& model, const RigValues& values,
                                   const std::vector<Track>& tracks, double sigma_px,
                                   const FreeParameters& free);

// Covariance (mm^2) of each point under a rig of that covariance.
std::vector<Eigen::Matrix3d> point_covariances(const RigModel& model, const RigValues& values,
                                               const std::vector<Track>& tracks, double sigma_px,
                                               const Eigen::MatrixXd& rig);

// 6 x 6 covariance of a view's pose from the rig's.
PoseCovariance pose_covariance(const RigModel& model, const RigValues& values,
                               const Eigen::MatrixXd& rig, std::size_t view);

// Distance (px) of an observation from where the rig puts its point.
double residual_px(const Projection34& P, const Eigen::Vector3d& x, const Eigen::Vector2d& at);

}  // namespace trunnion::refine
