// The least-squares fit of one model to the corners of all boards, and its covariance.
//
// Minimised is sum |corner - model|^2 / sigma^2 + (e - e0)^2 / sigma_e^2 over the shared camera
// and one view a board; sigma is the corner noise, found from the residuals themselves (degrees of
// freedom counted), so that the prior weighs against the data as it should. With the Jacobian J of
// the weighted residuals at the solution the covariance is (J^T J)^-1: the a-posteriori covariance
// of an adjustment (E. M. Mikhail, F. Ackermann, "Observations and Least Squares", 1976). Views
// are eliminated one by one (Schur complement), which is exact.
#pragma once

#include <Eigen/StdVector>
#include <optional>
#include <vector>

#include "stages/calibrate_lens/model.h"

namespace trunnion::calibrate_lens {

// The corners of one board.
struct Corners {
  std::vector<Eigen::Vector2d> board_mm;
  std::vector<Eigen::Vector2d> image_px;
  std::vector<char> used;  // 0: rejected
  [[nodiscard]] std::size_t size() const { return board_mm.size(); }
  [[nodiscard]] int used_count() const;
};

// What the setup knows of the principal distance.
struct Prior {
  double principal_distance_px = 0;
  double sigma_fraction = 0.1;
};

struct FitOptions {
  std::optional<Prior> prior;
  double robust_px = 0;  // Cauchy loss of this width; 0: plain squares
  int max_iterations = 60;
  double start_sigma_px = 0.2;  // of a corner; found by the fit
  bool find_sigma = true;
};

struct Fit {
  Model model;
  Frame frame;
  CameraVector camera = CameraVector::Zero();
  std::vector<ViewVector> views;
  double sigma_px = 0;  // of one coordinate of a corner, a posteriori
  double rms_px = 0;    // root mean square length of the residual vectors
  int corners = 0;
  bool converged = false;
};

// Residual vector corner - model of every corner of a view, used or not.
std::vector<Eigen::Vector2d> residuals(const Fit& fit, std::size_t view, const Corners& corners);

// Fits from scratch: start values from the boards' homographies; both tilts that a weak
// perspective can't distinguish are tried.
Fit fit_model(const Frame& frame, const Model& model, const std::vector<Corners>& boards,
              const FitOptions& options);
// Fits from another fit's values.
Fit fit_from(const Fit& start, const Model& model, const std::vector<Corners>& boards,
             const FitOptions& options);
// Fits one view with the camera held.
ViewVector fit_view(const Fit& fit, const ViewVector& start, const Corners& corners);

// J^T J / sigma^2 of the camera parameters that one board adds, its view eliminated.
CameraMatrix information_of(const Fit& fit, const ViewVector& view, const Corners& corners);

// Inverse over the free parameters; false where something free is not observed at all.
bool invert_information(const CameraMatrix& information, const std::array<bool, kCameraSize>& free,
                        CameraMatrix* covariance);

struct Uncertainty {
  CameraMatrix information = CameraMatrix::Zero();  // with the prior
  CameraMatrix covariance = CameraMatrix::Zero();   // fixed parameters have zero rows
  bool regular = false;                             // false: something free is not observed at all
  // Of e (perspective), as a fraction: by the data alone, and with the prior.
  double principal_distance_data = 0;
  double principal_distance = 0;
  double e_data = 0;                     // where the data alone would put e, to first order
  double correlation_with_distance = 0;  // of log c with log distance, median over the boards
};
Uncertainty uncertainty_of(const Fit& fit, const std::vector<Corners>& boards,
                           const std::optional<Prior>& prior);

}  // namespace trunnion::calibrate_lens
