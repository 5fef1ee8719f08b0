#include "stages/calibrate_lens/advice.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/angle.h"
#include "stages/calibrate_lens/coverage.h"
#include "stages/calibrate_lens/field.h"

namespace trunnion::calibrate_lens {
namespace {

struct Tilted {
  double about_x = 0;  // rad
  double about_y = 0;
  const char* words = "";
};
struct Placed {
  double x = 0;  // -1 left edge .. 1 right edge
  double y = 0;
  const char* words = "";
};

// The board of the catalogue as a view, seen at the typical scale.
ViewVector catalogue_view(const LensResult& result, const Tilted& tilt, const Placed& place,
                          const Eigen::Vector2d& half_board_mm, double log_scale) {
  const Eigen::Matrix3d R = rotation_about(Eigen::Vector3d::UnitX(), tilt.about_x) *
                            rotation_about(Eigen::Vector3d::UnitY(), tilt.about_y);
  const Eigen::AngleAxisd rotation(R);
  const double scale = std::exp(log_scale + result.fit.camera[kScale]);
  const Frame& frame = result.fit.frame;
  const Eigen::Vector2d half_frame(0.5 * frame.width_px / frame.rho(),
                                   0.5 * frame.height_px / frame.rho());
  // The middle moves until the board's edge meets the image's edge, at least half way there.
  const Eigen::Vector2d room = (half_frame - scale * half_board_mm).cwiseMax(0.5 * half_frame);
  ViewVector view;
  view << rotation.angle() * rotation.axis(), place.x * room.x(), place.y * room.y(), log_scale;
  return view;
}

Corners catalogue_corners(const LensResult& result, const BoardPattern& pattern,
                          const ViewVector& view) {
  Corners corners;
  const Frame& frame = result.fit.frame;
  for (int row = 0; row < pattern.rows; ++row) {
    for (int column = 0; column < pattern.columns; ++column) {
      const Eigen::Vector2d board((column - 0.5 * (pattern.columns - 1)) * pattern.square_mm,
                                  (row - 0.5 * (pattern.rows - 1)) * pattern.square_mm);
      const Eigen::Vector2d pixel =
          project_board_point(frame, result.fit.camera.data(), view.data(), board);
      if (!(pixel.x() > 0 && pixel.y() > 0 && pixel.x() < frame.width_px - 1 &&
            pixel.y() < frame.height_px - 1)) {
        continue;
      }
      corners.board_mm.push_back(board);
      corners.image_px.push_back(pixel);
      corners.used.push_back(1);
    }
  }
  return corners;
}

// Whether a board there answers what the boards so far are doubted for: advice must not lead past
// the doubts.
bool answers_doubts(const LensResult& result, const Tilted& tilt, const Corners& corners) {
  const bool perspective = result.fit.model.projection == Projection::perspective;
  const bool parallel = tilt.about_x == 0 && tilt.about_y == 0;
  if (perspective && parallel && degrees(largest_tilt(result)) < kParallel_deg) return false;
  Coverage then = result.coverage;
  for (const Eigen::Vector2d& p : corners.image_px) add_coverage(result.fit.frame, p, then);
  if (result.coverage.share < kCovered) return covered_share(then) > result.coverage.share;
  if (result.coverage.reach < kReached) return then.reach >= kReached;
  return true;
}

double mean_variance(const Fit& fit, const CameraMatrix& covariance) {
  double sum = 0;
  const auto field = field_of(fit, covariance, 9, 7);
  for (const FieldPoint& point : field) sum += std::pow(point.sigma_reprojection_px, 2);
  return sum / static_cast<double>(field.size());
}

}  // namespace

std::string next_board(const BoardPattern& pattern, const LensResult& result) {
  constexpr double kTilt = radians(30.0);
  const Tilted tilts[] = {{0, 0, "Lay the board parallel to the sensor"},
                          {0, kTilt, "Tilt the board about the vertical by 30 degrees or more"},
                          {0, -kTilt, "Tilt the board about the vertical by 30 degrees or more"},
                          {kTilt, 0, "Tilt the board about the horizontal by 30 degrees or more"},
                          {-kTilt, 0, "Tilt the board about the horizontal by 30 degrees or more"}};
  const Placed places[] = {
      {0, 0, "in the middle of the image"},     {-1, 0, "towards the left edge"},
      {1, 0, "towards the right edge"},         {0, -1, "towards the top edge"},
      {0, 1, "towards the bottom edge"},        {-1, -1, "towards the top left corner"},
      {1, -1, "towards the top right corner"},  {-1, 1, "towards the bottom left corner"},
      {1, 1, "towards the bottom right corner"}};
  std::vector<double> log_scales;
  for (std::size_t v = 0; v < result.images.size(); ++v) {
    if (result.images[v].used) log_scales.push_back(result.fit.views[v][kLogScale]);
  }
  if (log_scales.empty()) return {};
  std::sort(log_scales.begin(), log_scales.end());
  const double log_scale = log_scales[log_scales.size() / 2];
  const Eigen::Vector2d half_board(0.5 * (pattern.columns - 1) * pattern.square_mm,
                                   0.5 * (pattern.rows - 1) * pattern.square_mm);
  const double now = mean_variance(result.fit, result.uncertainty.covariance);
  double best = 0.999 * now;
  bool best_answers = false;
  std::string advice;
  for (const Tilted& tilt : tilts) {
    for (const Placed& place : places) {
      const ViewVector view = catalogue_view(result, tilt, place, half_board, log_scale);
      const Corners corners = catalogue_corners(result, pattern, view);
      if (corners.size() < 8) continue;
      const bool answers = answers_doubts(result, tilt, corners);
      if (best_answers && !answers) continue;
      const CameraMatrix information =
          result.uncertainty.information + information_of(result.fit, view, corners);
      CameraMatrix covariance;
      if (!invert_information(information, free_parameters(result.fit.model), &covariance))
        continue;
      const double then = mean_variance(result.fit, covariance);
      if (then < best || (answers && !best_answers && then < 0.999 * now)) {
        best = then;
        best_answers = answers;
        advice = fmt::format("{}, {}: this lowers the uncertainty of the reprojection by {:.0f} %.",
                             tilt.words, place.words, 100.0 * (1.0 - std::sqrt(then / now)));
      }
    }
  }
  return advice;
}

}  // namespace trunnion::calibrate_lens
