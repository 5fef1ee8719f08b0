// Calibrate lens: from checkerboard corners in fused images to the camera of one setup, with
// realistic uncertainties, and the reasons to trust the result or not.
//
// What is fitted and how: calibrate_lens/model.h (the camera), fit.h (least squares, covariance),
// select.h (which model). In order: robust fit; images and corners that contradict the others are
// rejected with the reason; the model is chosen on held-out images; the final fit is plain least
// squares over what is left; its covariance is scaled by the residuals.
//
// Perspective or telecentric follows the fusion habit of the setup: slices moved by a rail and
// fused without rescaling show every depth at the same scale (scaled orthographic); rescaled to a
// reference slice, the image is that slice's pinhole view; where the lens refocuses and nothing is
// rescaled, the scale varies with depth in a way that only the boards can show.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "config/calibration_record.h"
#include "config/setup.h"
#include "core/checkerboard.h"
#include "core/finding.h"
#include "stages/calibrate_lens/field.h"
#include "stages/calibrate_lens/select.h"

namespace trunnion::calibrate_lens {

struct BoardImage {
  std::string name;
  int width_px = 0;
  int height_px = 0;
  BoardView view;
};

struct LensOptions {
  BoardPattern pattern;
  // A model to take instead of choosing one.
  std::optional<Model> model;
  bool use_setup = true;  // weigh in what the setup knows of the principal distance
  // A corner further off than this many sigmas is taken for a wrong measurement: 1 in 25 000 sound
  // ones is.
  double corner_sigmas = 4.5;
  // An image whose corners scatter this many times as much as the typical image's is rejected.
  double image_factor = 3.0;
};

struct LensImage {
  std::string name;
  bool used = false;
  std::string reason;  // why it was rejected
  int corners = 0;
  int corners_rejected = 0;
  double rms_px = 0;           // of the corners kept, or of all where the image was rejected
  double tilt = 0;             // rad, of the board against the image plane
  double tilt_axis = 0;        // rad, direction in the image of the axis it is tilted about, 0 = x
  double scale_px_per_mm = 0;  // at the board's middle
  Pose camera_from_board;
  std::vector<Eigen::Vector2d> corners_px;
  std::vector<Eigen::Vector2d> residuals_px;  // measured minus model
  std::vector<char> corner_used;
};

struct Coverage {
  static constexpr int kColumns = 8;
  static constexpr int kRows = 6;
  std::vector<int> corners;  // in each cell of the image, by row
  double share = 0;          // of cells with a corner
  double reach = 0;          // farthest corner from the image centre, in half diagonals
};

struct LensResult {
  bool accepted = false;  // false: see the faults in findings; no record should be written
  LensCalibration calibration;
  Model model;
  std::string why_model;
  std::vector<Candidate> candidates;
  std::vector<LensImage> images;
  Findings findings;
  double sigma_px = 0;                       // of one coordinate of a corner
  double principal_distance_sigma = 0;       // fraction; 0 for telecentric
  double principal_distance_sigma_data = 0;  // the same by the boards alone
  double principal_distance_data_px = 0;     // where the boards alone would put it
  double correlation_with_distance = 0;
  std::optional<Prior> prior;  // what the setup said, where it was weighed in
  Coverage coverage;
  double largest_tilt = 0;                   // rad
  std::vector<FieldPoint> field;             // 13 x 9 over the image
  std::vector<std::string> quality_reasons;  // why not better
  std::string advice;                        // what one more board would improve most
  double mm_per_px = 0;
  double mm_per_px_sigma = 0;
  Fit fit;
  std::vector<Corners> boards;  // those of `fit`
  Uncertainty uncertainty;
};

LensResult calibrate_lens(const std::vector<BoardImage>& boards, const Setup& setup,
                          const LensOptions& options);

// A camera with the covariance of fx fy cx cy k1 k2 p1 p2 k3.
struct CameraBelief {
  Camera camera;
  Eigen::Matrix<double, 9, 9> covariance = Eigen::Matrix<double, 9, 9>::Zero();
};

// What is known of the camera without some of the boards (`left_out`: beside result.boards): by the
// other boards where three or more are left, else by the setup alone, with sigmas so wide that they
// say nothing where the setup says nothing. For an adjustment that uses the boards left out itself.
CameraBelief belief_without(const LensResult& result, const std::vector<char>& left_out);

// What the setup says of the principal distance at a measured magnification: c = f (1 + m / p),
// and magnification x working distance where that is given. Empty where it says nothing.
std::optional<Prior> principal_distance_prior(const Setup& setup, double magnification);

// The report page of a lens calibration: one HTML file with inline SVG, no scripts, nothing loaded
// from elsewhere.

std::string report_page(const LensResult& result, const Setup& setup);

}  // namespace trunnion::calibrate_lens
