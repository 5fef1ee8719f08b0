// Checkerboards for the demo's calibrations: a white plate with dark squares, evenly lit but for a
// slow fall-off, every pixel sampled over its square.
#include <oneapi/tbb/parallel_for.h>

#include <Eigen/Geometry>
#include <cmath>

#include "datasets/random.h"
#include "datasets/render.h"

namespace trunnion::demo {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;

constexpr double kWhite = 0.80;
constexpr double kDark = 0.09;

// Level at a point of the board's plane; negative: beside the plate.
double level_at(const Board& board, const Vector2d& p) {
  const double u = p.x() / board.square_mm + 1.0;  // squares from the outer edge
  const double v = p.y() / board.square_mm + 1.0;
  const double across = board.columns + 1;
  const double down = board.rows + 1;
  const double margin = board.margin_mm / board.square_mm;
  if (u < -margin || v < -margin || u > across + margin || v > down + margin) return -1.0;
  if (u < 0.0 || v < 0.0 || u >= across || v >= down) return kWhite;
  const bool dark = (static_cast<int>(u) + static_cast<int>(v)) % 2 == 0;
  return dark ? kDark : kWhite;
}

}  // namespace

RenderedView render_board(const Board& board, const Camera& camera, const Pose& camera_from_board,
                          const Backdrop& backdrop) {
  const cv::Size size(camera.width_px, camera.height_px);
  RenderedView view;
  view.colour = cv::Mat(size, CV_32FC3);
  view.coverage = cv::Mat::zeros(size, CV_8U);
  const Pose board_from_camera = camera_from_board.inverse();
  const auto plane_point = [&](const Vector2d& pixel) {
    const Ray ray = camera_ray(camera, normalise(camera, pixel));
    const Vector3d o = board_from_camera * ray.origin;
    const Vector3d d = board_from_camera.R * ray.direction;
    return Vector2d((o - o.z() / d.z() * d).head<2>());
  };
  // Light falls on a tilted board at a slant, and falls off slowly across it.
  const double facing = std::abs(camera_from_board.R.col(2).z());
  const Vector2d middle = board.centre().head<2>();
  constexpr int kRun = 16;  // pixels over which the clouding of the backdrop is linear enough
  tbb::parallel_for(0, size.height, [&](int y) {
    double cloud = 0.0;
    double next_cloud = backdrop_cloud(backdrop, camera, Vector2d(0, y));
    for (int x = 0; x < size.width; ++x) {
      if (x % kRun == 0) {
        cloud = next_cloud;
        next_cloud = backdrop_cloud(backdrop, camera, Vector2d(x + kRun, y));
      }
      const Vector2d corner = plane_point({x - 0.5, y - 0.5});
      const Vector2d right = plane_point({x + 0.5, y - 0.5}) - corner;
      const Vector2d down = plane_point({x - 0.5, y + 0.5}) - corner;
      double sum = 0.0;
      int hits = 0;
      int samples = 0;
      double first = 0.0;
      bool even = true;
      for (std::uint32_t i = 0; i < kEdgeSamples; ++i) {
        const Vector2d s = sobol(i);
        const double level = level_at(board, corner + s.x() * right + s.y() * down);
        if (i == 0) first = level;
        even = even && level == first;
        if (level >= 0.0) {
          sum += level;
          ++hits;
        }
        ++samples;
        // Squares are many pixels wide: eight even samples and the corners tell.
        if (i == 7 && even && level_at(board, corner) == first &&
            level_at(board, corner + right) == first && level_at(board, corner + down) == first &&
            level_at(board, corner + right + down) == first) {
          break;
        }
      }
      const double coverage = static_cast<double>(hits) / samples;
      const Vector2d offset = (corner - middle) / (board.columns * board.square_mm);
      const double light = (0.7 + 0.3 * facing) * (1.0 + 0.08 * offset.x() - 0.06 * offset.y());
      Vector3d colour = Vector3d::Constant(sum / samples * light);
      if (coverage < 1.0) {
        const double here = cloud + (next_cloud - cloud) * (x % kRun) / kRun;
        colour += (1.0 - coverage) * backdrop_colour(backdrop, camera, Vector2d(x, y), here);
      }
      view.colour.at<cv::Vec3f>(y, x) =
          cv::Vec3f(static_cast<float>(colour.x()), static_cast<float>(colour.y()),
                    static_cast<float>(colour.z()));
      view.coverage.at<std::uint8_t>(y, x) = static_cast<std::uint8_t>(coverage * 255.0 + 0.5);
    }
  });
  return view;
}

}  // namespace trunnion::demo
