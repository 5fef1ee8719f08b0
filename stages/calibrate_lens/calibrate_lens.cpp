#include "stages/calibrate_lens/calibrate_lens.h"

#include <fmt/format.h>

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>

#include "core/angle.h"
#include "core/median.h"
#include "stages/calibrate_lens/judge.h"

namespace trunnion::calibrate_lens {
namespace {

constexpr const char* kStage = "calibrate lens";

void add(LensResult& result, Severity severity, const std::string& file, const std::string& what,
         const std::string& remedy) {
  result.findings.push_back({severity, kStage, file, what, remedy});
}

// Board coordinates from the middle of the corners that the pattern has.
Corners corners_of(const BoardView& view, const BoardPattern& pattern) {
  Corners corners;
  for (const BoardCorner& corner : view.corners) {
    corners.board_mm.emplace_back((corner.column - 0.5 * (view.columns - 1)) * pattern.square_mm,
                                  (corner.row - 0.5 * (view.rows - 1)) * pattern.square_mm);
    corners.image_px.push_back(corner.position_px);
    corners.used.push_back(1);
  }
  return corners;
}

// Sign of the turn from columns to rows in the image: negative where the numbering is mirrored. By
// the covariances of position with column and row, which a board partly out of frame does not bias.
double turning_of(const BoardView& view) {
  Eigen::Vector2d mean = Eigen::Vector2d::Zero();
  Eigen::Vector2d mean_place = Eigen::Vector2d::Zero();
  const auto n = static_cast<double>(std::max<std::size_t>(1, view.corners.size()));
  for (const BoardCorner& corner : view.corners) {
    mean += corner.position_px / n;
    mean_place += Eigen::Vector2d(corner.column, corner.row) / n;
  }
  Eigen::Matrix2d image_by_board = Eigen::Matrix2d::Zero();
  for (const BoardCorner& corner : view.corners) {
    const Eigen::Vector2d place = Eigen::Vector2d(corner.column, corner.row) - mean_place;
    image_by_board += (corner.position_px - mean) * place.transpose();
  }
  // The linear map from board to image is this times the inverse of the places' own covariance,
  // whose determinant is positive.
  return image_by_board.determinant();
}

// One finding a reason: the same words for every image hide what is wrong.
void report_not_found(const std::vector<BoardImage>& boards, LensResult& result) {
  std::map<std::string, std::vector<std::string>> by_reason;
  for (const BoardImage& board : boards) {
    if (!board.view.found) by_reason[board.view.reason].push_back(board.name);
  }
  for (const auto& [reason, names] : by_reason) {
    add(result, Severity::doubt, names.front(),
        names.size() == 1 ? fmt::format("No board was used: {}.", reason)
                          : fmt::format("No board was used here and in {} more images ({}): {}.",
                                        names.size() - 1,
                                        fmt::join(names.begin() + 1, names.end(), ", "), reason),
        "Check --board, --kind, focus and light; leave images out that show no board.");
  }
}

// Takes the boards that can be used at all.
void take_boards(const std::vector<BoardImage>& boards, const Setup& setup,
                 const LensOptions& options, LensResult& result) {
  int mirrored = 0;
  for (const BoardImage& board : boards) {
    LensImage image;
    image.name = board.name;
    if (board.width_px != setup.width_px || board.height_px != setup.height_px) {
      image.reason = fmt::format("is {} x {} px, the setup's images are {} x {} px", board.width_px,
                                 board.height_px, setup.width_px, setup.height_px);
      add(result, Severity::fault, board.name, "This image " + image.reason + ".",
          "Use the setup that these images were shot with, or correct body.width_px and "
          "body.height_px.");
    } else if (!board.view.found) {
      image.reason = board.view.reason;
    } else if (turning_of(board.view) < 0) {
      image.reason = "its corners are numbered mirrored";
      ++mirrored;
    } else {
      image.used = true;
    }
    Corners corners = corners_of(board.view, options.pattern);
    image.corners = static_cast<int>(corners.size());
    image.corners_px = corners.image_px;
    if (!image.used) std::fill(corners.used.begin(), corners.used.end(), static_cast<char>(0));
    result.images.push_back(std::move(image));
    result.boards.push_back(std::move(corners));
  }
  report_not_found(boards, result);
  if (mirrored > 0) {
    add(result, Severity::fault, "",
        fmt::format("In {} of {} images the corners are numbered mirrored: the columns do not turn "
                    "clockwise into the rows, as they do on a board seen from its front.",
                    mirrored, boards.size()),
        "Number the corners as seen from the front; do not mirror the images, and turn a glass "
        "board so that its coated side faces the lens.");
  }
}

int used_boards(const LensResult& result) {
  return static_cast<int>(std::count_if(result.images.begin(), result.images.end(),
                                        [](const LensImage& image) { return image.used; }));
}

void drop_image(LensResult& result, std::size_t v, const std::string& reason,
                const std::string& remedy) {
  result.images[v].used = false;
  result.images[v].reason = reason;
  std::fill(result.boards[v].used.begin(), result.boards[v].used.end(), static_cast<char>(0));
  add(result, Severity::doubt, result.images[v].name, "Image rejected: " + reason + ".", remedy);
}

double rms_of(const Fit& fit, std::size_t v, const Corners& corners) {
  double sum = 0;
  int count = 0;
  const auto found = residuals(fit, v, corners);
  for (std::size_t i = 0; i < found.size(); ++i) {
    if (corners.used[i] == 0) continue;
    sum += found[i].squaredNorm();
    ++count;
  }
  return count > 0 ? std::sqrt(sum / count) : 0.0;
}

// As rms_of without the worst quarter of the corners: a few wild ones, or an outer row, are dropped
// by themselves and do not condemn the image; a board that is spoilt all over does.
double scatter_of(const Fit& fit, std::size_t v, const Corners& corners) {
  std::vector<double> squares;
  const auto found = residuals(fit, v, corners);
  for (std::size_t i = 0; i < found.size(); ++i) {
    if (corners.used[i] != 0) squares.push_back(found[i].squaredNorm());
  }
  if (squares.empty()) return 0.0;
  std::sort(squares.begin(), squares.end());
  const std::size_t kept = squares.size() - squares.size() / 4;
  double sum = 0;
  for (std::size_t i = 0; i < kept; ++i) sum += squares[i];
  return std::sqrt(sum / static_cast<double>(std::max<std::size_t>(1, kept)));
}

// Rejects images that scatter far more than the others; true where any went.
bool reject_images(const Fit& fit, const LensOptions& options, LensResult& result) {
  std::vector<double> scatter(result.boards.size(), 0.0);
  std::vector<double> used;
  for (std::size_t v = 0; v < result.boards.size(); ++v) {
    if (!result.images[v].used) continue;
    scatter[v] = scatter_of(fit, v, result.boards[v]);
    used.push_back(scatter[v]);
  }
  if (used.size() < 4) return false;
  const double typical = std::max(median_of(used), 0.02);
  const auto worst = std::max_element(scatter.begin(), scatter.end()) - scatter.begin();
  const auto v = static_cast<std::size_t>(worst);
  if (scatter[v] <= options.image_factor * typical) return false;
  result.images[v].rms_px = scatter[v];
  drop_image(result, v,
             fmt::format("its corners deviate from the model by {:.2f} px; {:.2f} px is typical",
                         scatter[v], typical),
             "Check for blur, glare, a bent board or squares of only a few pixels; shoot this "
             "board again.");
  return true;
}

// Rejects single corners; true where any went.
bool reject_corners(const Fit& fit, const LensOptions& options, LensResult& result) {
  bool any = false;
  for (std::size_t v = 0; v < result.boards.size(); ++v) {
    if (!result.images[v].used) continue;
    Corners& corners = result.boards[v];
    const auto found = residuals(fit, v, corners);
    for (std::size_t i = 0; i < found.size(); ++i) {
      const char keep = found[i].norm() <= options.corner_sigmas * fit.sigma_px ? 1 : 0;
      any = any || keep != corners.used[i];
      corners.used[i] = keep;
    }
    const int kept = corners.used_count();
    result.images[v].corners_rejected = static_cast<int>(corners.size()) - kept;
    if (2 * kept < static_cast<int>(corners.size()) || kept < 8) {
      result.images[v].rms_px = rms_of(fit, v, corners);
      drop_image(result, v,
                 fmt::format("{} of its {} corners contradict the other images",
                             result.images[v].corners_rejected, corners.size()),
                 "Check for blur, glare or a bent board; shoot this board again.");
    }
  }
  return any;
}

// Richest model of the family: what the rejection judges by, so that distortion is not taken for
// bad corners.
Model rich_model(Projection projection, int boards) {
  Model model;
  model.projection = projection;
  model.radial = boards >= 5 ? 3 : 1;
  model.tangential = boards >= 5;
  return model;
}

double measured_magnification(const Fit& fit, const LensResult& result, const Setup& setup,
                              double* sigma) {
  std::vector<double> scales;
  for (std::size_t v = 0; v < result.boards.size(); ++v) {
    if (result.images[v].used) {
      scales.push_back(scale_px_per_mm(fit.frame, fit.camera, fit.views[v]));
    }
  }
  const double scale = median_of(scales);
  std::vector<double> deviations;
  for (const double s : scales) deviations.push_back(std::abs(s - scale));
  if (sigma != nullptr) *sigma = 1.4826 * median_of(deviations) * setup.pixel_pitch_um * 1e-3;
  return scale * setup.pixel_pitch_um * 1e-3;
}

Fit robust_fit(const Frame& frame, Projection projection, const Setup& setup,
               const LensOptions& options, FitOptions& fit_options, LensResult& result) {
  fit_options.robust_px = 1.0;
  Fit fit =
      fit_model(frame, rich_model(projection, used_boards(result)), result.boards, fit_options);
  if (options.use_setup && projection == Projection::perspective) {
    fit_options.prior =
        principal_distance_prior(setup, measured_magnification(fit, result, setup, nullptr));
    fit = fit_model(frame, fit.model, result.boards, fit_options);
  }
  while (reject_images(fit, options, result)) {
    fit = fit_from(fit, fit.model, result.boards, fit_options);
  }
  for (int round = 0; round < 5; ++round) {
    fit_options.robust_px = std::max(3.0 * fit.sigma_px, 1e-6);
    if (!reject_corners(fit, options, result)) break;
    fit = fit_from(fit, fit.model, result.boards, fit_options);
  }
  fit_options.robust_px = 0;
  return fit_from(fit, fit.model, result.boards, fit_options);
}

void describe_images(LensResult& result) {
  const Fit& fit = result.fit;
  for (std::size_t v = 0; v < result.boards.size(); ++v) {
    LensImage& image = result.images[v];
    image.corner_used = result.boards[v].used;
    if (result.boards[v].size() == 0) continue;
    if (!image.used) continue;
    image.residuals_px = residuals(fit, v, result.boards[v]);
    image.rms_px = rms_of(fit, v, result.boards[v]);
    image.camera_from_board = to_pose(fit.frame, fit.model, fit.camera, fit.views[v]);
    image.scale_px_per_mm = scale_px_per_mm(fit.frame, fit.camera, fit.views[v]);
    const Eigen::Vector3d normal = image.camera_from_board.R.col(2);
    image.tilt = std::acos(std::min(1.0, std::abs(normal.z())));
    // The axis of the tilt lies in the image, across the direction the normal leans to.
    image.tilt_axis = std::atan2(normal.x(), -normal.y());
  }
}

void fill_calibration(LensResult& result, const Setup& setup) {
  const Fit& fit = result.fit;
  LensCalibration& calibration = result.calibration;
  calibration.camera = to_camera(fit.frame, fit.model, fit.camera);
  const auto jacobian = to_camera_jacobian(fit.frame, fit.model, fit.camera);
  calibration.covariance = jacobian * result.uncertainty.covariance * jacobian.transpose();
  calibration.model = describe(fit.model);
  calibration.rms_px = fit.rms_px;
  calibration.images_used = used_boards(result);
  calibration.corners_used = fit.corners;
  calibration.magnification =
      measured_magnification(fit, result, setup, &calibration.magnification_sigma);
  result.mm_per_px = setup.pixel_pitch_um * 1e-3 / calibration.magnification;
  result.mm_per_px_sigma =
      result.mm_per_px * calibration.magnification_sigma / calibration.magnification;
}

}  // namespace

std::optional<Prior> principal_distance_prior(const Setup& setup, double magnification) {
  // Refocused by the lens and not rescaled, the image's perspective is not that of the lens.
  if (setup.moves == FocusMotion::lens && !setup.rescaled) return std::nullopt;
  if (!(magnification > 0)) return std::nullopt;
  const double relative = magnification / setup.converter / setup.pupil_magnification;
  const double by_lens_mm = setup.focal_length_mm * setup.converter * (1.0 + relative);
  // Common practice, no source: marked focal lengths hold to some 5 %; a pupil magnification that
  // was not measured lies within some 25 % of the assumed one.
  const double pupil_share = relative / (1.0 + relative);
  const double by_lens_sigma = std::hypot(0.05, 0.25 * pupil_share);
  double distance_mm = by_lens_mm;
  double sigma = by_lens_sigma;
  if (setup.working_distance_mm) {
    const double by_distance_mm = magnification * *setup.working_distance_mm;
    constexpr double kBySight = 0.1;  // the entrance pupil is placed by eye
    const double a = 1.0 / (by_lens_sigma * by_lens_sigma);
    const double b = 1.0 / (kBySight * kBySight);
    distance_mm = (a * by_lens_mm + b * by_distance_mm) / (a + b);
    sigma = 1.0 / std::sqrt(a + b);
  }
  return Prior{distance_mm * 1000.0 / setup.pixel_pitch_um, sigma};
}

LensResult calibrate_lens(const std::vector<BoardImage>& boards, const Setup& setup,
                          const LensOptions& options) {
  LensResult result;
  take_boards(boards, setup, options, result);
  const bool faults = std::any_of(result.findings.begin(), result.findings.end(),
                                  [](const Finding& f) { return f.severity == Severity::fault; });
  if (faults) return result;
  if (used_boards(result) < 3) {
    add(result, Severity::fault, "",
        fmt::format("Only {} boards were found; a calibration needs at least 3.",
                    used_boards(result)),
        "Shoot 10 to 20 boards at different tilts, over the whole image.");
    return result;
  }
  const Frame frame{setup.width_px, setup.height_px};
  const Projection projection =
      options.model ? options.model->projection
                    : (setup.orthographic() ? Projection::telecentric : Projection::perspective);
  FitOptions fit_options;
  const Fit rich = robust_fit(frame, projection, setup, options, fit_options, result);
  if (used_boards(result) < 3) {
    add(result, Severity::fault, "", "Fewer than 3 boards are left after rejection.",
        "Check that all images come from one setup and show the board given by --board.");
    return result;
  }
  if (options.model) {
    result.model = *options.model;
    result.why_model = "as asked";
  } else {
    result.candidates = select_model(rich, result.boards, fit_options, {});
    const auto chosen = std::find_if(result.candidates.begin(), result.candidates.end(),
                                     [](const Candidate& c) { return c.chosen; });
    result.model = chosen->model;
    result.why_model = fmt::format(
        "the simplest of {} candidates whose error on held-out images ({:.4f} px) is within one "
        "standard error of the best",
        result.candidates.size(), chosen->held_out_px);
  }
  result.fit = fit_from(rich, result.model, result.boards, fit_options);
  result.sigma_px = result.fit.sigma_px;
  result.uncertainty = uncertainty_of(result.fit, result.boards, fit_options.prior);
  result.principal_distance_sigma = result.uncertainty.principal_distance;
  result.principal_distance_sigma_data = result.uncertainty.principal_distance_data;
  result.principal_distance_data_px = frame.rho() / result.uncertainty.e_data;
  result.correlation_with_distance = result.uncertainty.correlation_with_distance;
  result.prior = fit_options.prior;
  describe_images(result);
  fill_calibration(result, setup);
  if (!result.uncertainty.regular) {
    add(result, Severity::fault, "", "These boards leave part of the camera entirely undetermined.",
        "Shoot 10 to 20 boards at different tilts, over the whole image.");
    return result;
  }
  judge(setup, options.pattern, result);
  result.accepted = std::none_of(result.findings.begin(), result.findings.end(),
                                 [](const Finding& f) { return f.severity == Severity::fault; });
  return result;
}

}  // namespace trunnion::calibrate_lens
