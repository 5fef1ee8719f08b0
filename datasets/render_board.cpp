// Boards for the demo's calibrations: a white plate with dark squares, markers or dots, evenly lit
// but for a slow fall-off, every pixel sampled over its square.
#include <oneapi/tbb/parallel_for.h>

#include <Eigen/Geometry>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/coded_board.h"
#include "datasets/random.h"
#include "datasets/render.h"

namespace trunnion::demo {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;

constexpr double kWhite = 0.80;
constexpr double kDark = 0.09;

// The face of a board as levels of grey.
class Face {
 public:
  explicit Face(const Board& board) : board_(board), pattern_(board.pattern()) {
    if (board.kind != BoardKind::coded) return;
    share_ = marker_side_mm(pattern_) / board.square_mm;
    const int markers = (board.columns + 1) * (board.rows + 1) / 2;
    for (int id = 0; id < markers; ++id) cells_.push_back(marker_cells(pattern_, id));
  }

  // At a point of the board's plane; negative: beside the plate.
  [[nodiscard]] double level_at(const Vector2d& p) const {
    const double u = p.x() / board_.square_mm + 1.0;  // squares from the outer edge
    const double v = p.y() / board_.square_mm + 1.0;
    const double across = board_.across() + 1;
    const double down = board_.rows + 1;
    const double margin = board_.margin_mm / board_.square_mm;
    if (u < -margin || v < -margin || u > across + margin || v > down + margin) return -1.0;
    if (u < 0.0 || v < 0.0 || u >= across || v >= down) return kWhite;
    if (board_.kind == BoardKind::circles || board_.kind == BoardKind::staggered) {
      return in_dot(u - 1.0, v - 1.0) ? kDark : kWhite;
    }
    const int column = static_cast<int>(u);
    const int row = static_cast<int>(v);
    if ((column + row) % 2 == 0) return kDark;
    if (board_.kind != BoardKind::coded) return kWhite;
    const double in_x = (u - column - 0.5) / share_ + 0.5;
    const double in_y = (v - row - 0.5) / share_ + 0.5;
    if (in_x < 0 || in_y < 0 || in_x >= 1 || in_y >= 1) return kWhite;
    const auto& cells = cells_[static_cast<std::size_t>(marker_at(pattern_, column, row))];
    const auto side = static_cast<double>(cells.size());
    return cells[static_cast<std::size_t>(in_y * side)][static_cast<std::size_t>(in_x * side)]
               ? kDark
               : kWhite;
  }

 private:
  [[nodiscard]] bool in_dot(double column, double row) const {
    const bool staggered = board_.kind == BoardKind::staggered;
    const double radius = 0.5 * board_.dot_share * (staggered ? std::sqrt(2.0) : 1.0);
    const int first_column = static_cast<int>(std::floor(column));
    const int first_row = static_cast<int>(std::floor(row));
    for (int r = first_row; r <= first_row + 1; ++r) {
      for (int c = first_column; c <= first_column + 1; ++c) {
        if (c < 0 || r < 0 || c >= board_.across() || r >= board_.rows) continue;
        if (staggered && (c + r) % 2 != 0) continue;
        if (std::hypot(column - c, row - r) < radius) return true;
      }
    }
    return false;
  }

  Board board_;
  BoardPattern pattern_;
  double share_ = 0;
  std::vector<std::vector<std::vector<bool>>> cells_;
};

// Gaussian blur whose sigma changes linearly over the columns: a mixture of the two neighbouring
// ones of a ladder of sigmas.
cv::Mat blurred(const cv::Mat& colour, double left_px, double right_px) {
  constexpr int kSteps = 9;
  std::vector<cv::Mat> ladder;
  for (int i = 0; i < kSteps; ++i) {
    const double sigma = left_px + (right_px - left_px) * i / (kSteps - 1.0);
    cv::Mat image = colour.clone();
    if (sigma > 0.05) cv::GaussianBlur(colour, image, {}, sigma, sigma, cv::BORDER_REFLECT);
    ladder.push_back(image);
  }
  cv::Mat result = colour.clone();
  for (int x = 0; x < colour.cols; ++x) {
    const double place = (kSteps - 1.0) * x / std::max(1, colour.cols - 1);
    const auto step = static_cast<std::size_t>(std::min<double>(place, kSteps - 2.0));
    const double share = place - static_cast<double>(step);
    cv::Mat column;
    cv::addWeighted(ladder[step].col(x), 1.0 - share, ladder[step + 1].col(x), share, 0.0, column);
    column.copyTo(result.col(x));
  }
  return result;
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
  const Face face(board);
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
        const double level = face.level_at(corner + s.x() * right + s.y() * down);
        if (i == 0) first = level;
        even = even && level == first;
        if (level >= 0.0) {
          sum += level;
          ++hits;
        }
        ++samples;
        // Squares are many pixels wide: eight even samples and the corners decide.
        if (i == 7 && even && face.level_at(corner) == first &&
            face.level_at(corner + right) == first && face.level_at(corner + down) == first &&
            face.level_at(corner + right + down) == first) {
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

void spoil(RenderedView& view, const BoardFlaws& flaws) {
  if (flaws.blur_left_px > 0 || flaws.blur_right_px > 0) {
    view.colour = blurred(view.colour, flaws.blur_left_px, flaws.blur_right_px);
  }
  if (!(flaws.glare > 0)) return;
  const double radius = flaws.glare_radius * view.colour.rows;
  const double cx = flaws.glare_x * view.colour.cols;
  const double cy = flaws.glare_y * view.colour.rows;
  for (int y = 0; y < view.colour.rows; ++y) {
    for (int x = 0; x < view.colour.cols; ++x) {
      const double r2 = ((x - cx) * (x - cx) + (y - cy) * (y - cy)) / (radius * radius);
      const auto added = static_cast<float>(flaws.glare * std::exp(-0.5 * r2));
      view.colour.at<cv::Vec3f>(y, x) += cv::Vec3f(added, added, added);
    }
  }
}

}  // namespace trunnion::demo
