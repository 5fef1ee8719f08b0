#include "stages/refine/affine_patch.h"

#include <Eigen/Cholesky>
#include <Eigen/LU>
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>

namespace trunnion::refine {
namespace {

constexpr float kDarkest = 5.0F;  // of 255, added before the logarithm: noise of the dark
constexpr int kRoom = 6;          // pixels around the patch that the map may reach
constexpr double kSettled_px = 0.005;

const std::array<float, 256>& logarithms() {
  static const std::array<float, 256> table = [] {
    std::array<float, 256> values{};
    for (std::size_t v = 0; v < values.size(); ++v) {
      values[v] = std::log(static_cast<float>(v) + kDarkest);
    }
    return values;
  }();
  return table;
}

// Natural logarithm of a level's light.
struct LogLight {
  cv::Mat values;   // CV_32F
  cv::Mat inside;   // CV_8U, 1 on the specimen, else 0
  cv::Point first;  // level pixel of the top-left value
};

// The pixels within `half` of the nearest to `at`, as far as they lie in the level.
LogLight log_light(const cv::Mat& level, const cv::Point2d& at, int half) {
  const cv::Point middle(static_cast<int>(std::lround(at.x)), static_cast<int>(std::lround(at.y)));
  const cv::Rect area =
      cv::Rect(middle - cv::Point(half, half), cv::Size(2 * half + 1, 2 * half + 1)) &
      cv::Rect({0, 0}, level.size());
  LogLight light;
  light.first = area.tl();
  light.values.create(area.size(), CV_32F);
  light.inside.create(area.size(), CV_8U);
  const std::array<float, 256>& table = logarithms();
  for (int y = 0; y < area.height; ++y) {
    const auto* from = level.ptr<std::uint8_t>(area.y + y) + area.x;
    auto* values = light.values.ptr<float>(y);
    auto* inside = light.inside.ptr<std::uint8_t>(y);
    for (int x = 0; x < area.width; ++x) {
      values[x] = table[from[x]];
      inside[x] = from[x] & 1U;
    }
  }
  return light;
}

// x' = A x + c: about the patch's point, into the other's values.
struct Map {
  Eigen::Matrix2d A = Eigen::Matrix2d::Identity();
  Eigen::Vector2d c = Eigen::Vector2d::Zero();
};

// What a picture shows through a map, and which pixels of it count.
struct Seen {
  Eigen::VectorXf values;
  Eigen::VectorXf weights;
  double squares = 0;
  int missing = 0;
};

void sample_into(const LogLight& other, const Map& map, const cv::Point2d& first, int side,
                 Seen& seen) {
  seen.missing = 0;
  seen.squares = 0.0;
  const auto columns = static_cast<float>(other.values.cols - 1);
  const auto rows = static_cast<float>(other.values.rows - 1);
  const std::size_t step = other.values.step1();
  const auto* values = other.values.ptr<float>();
  const std::size_t inside_step = other.inside.step;
  const auto* inside = other.inside.ptr<std::uint8_t>();
  Eigen::Index k = 0;
  for (int y = 0; y < side; ++y) {
    const Eigen::Vector2d begin = map.A * Eigen::Vector2d(first.x, first.y + y) + map.c;
    for (int x = 0; x < side; ++x, ++k) {
      const auto u = static_cast<float>(begin.x() + map.A(0, 0) * x);
      const auto v = static_cast<float>(begin.y() + map.A(1, 0) * x);
      seen.values[k] = 0.0F;
      seen.weights[k] = 0.0F;
      if (!(u >= 0.0F && v >= 0.0F && u < columns && v < rows)) {
        ++seen.missing;
        continue;
      }
      const auto left = static_cast<int>(u);
      const auto top = static_cast<int>(v);
      const float right = u - static_cast<float>(left);
      const float down = v - static_cast<float>(top);
      const std::uint8_t* in = inside + static_cast<std::size_t>(top) * inside_step + left;
      if ((in[0] & in[1] & in[inside_step] & in[inside_step + 1]) == 0) {
        ++seen.missing;
        continue;
      }
      const float* p = values + static_cast<std::size_t>(top) * step + left;
      const float upper = p[0] + right * (p[1] - p[0]);
      const float lower = p[step] + right * (p[step + 1] - p[step]);
      const float value = upper + down * (lower - upper);
      seen.values[k] = value;
      seen.squares += static_cast<double>(value) * value;
      seen.weights[k] = 1.0F;
    }
  }
}

// Of the patch's values (row 0 of the basis) with what is seen, over the pixels that count.
double correlation_of(const Eigen::Matrix<double, 8, 8>& normal,
                      const Eigen::Matrix<double, 8, 1>& products, const Seen& seen) {
  const double count = normal(7, 7);
  const double squares = seen.squares - products[7] * products[7] / count;
  const double own = normal(0, 0) - normal(0, 7) * normal(0, 7) / count;
  const double both = products[0] - normal(0, 7) * products[7] / count;
  return both / std::sqrt(std::max(1e-12, squares * own));
}

}  // namespace

AffinePatch::AffinePatch(const cv::Mat& level, const cv::Point2d& point, int half) : half_(half) {
  const int side = 2 * half + 1;
  const LogLight light = log_light(level, point, half + 1);
  if (light.values.rows != side + 2 || light.values.cols != side + 2) return;
  first_ = {light.first.x + 1 - point.x, light.first.y + 1 - point.y};
  basis_.resize(8, Eigen::Index{side} * side);
  Eigen::Index k = 0;
  double sum = 0;
  for (int y = 0; y < side; ++y) {
    const auto* above = light.values.ptr<float>(y) + 1;
    const auto* here = light.values.ptr<float>(y + 1) + 1;
    const auto* below = light.values.ptr<float>(y + 2) + 1;
    for (int x = 0; x < side; ++x, ++k) {
      const float dx = 0.5F * (here[x + 1] - here[x - 1]);
      const float dy = 0.5F * (below[x] - above[x]);
      const auto px = static_cast<float>(first_.x + x);
      const auto py = static_cast<float>(first_.y + y);
      sum += static_cast<double>(here[x]);
      basis_.col(k) << here[x], dx * px, dx * py, dx, dy * px, dy * py, dy, 1.0F;
    }
  }
  const auto mean = static_cast<float>(sum / static_cast<double>(basis_.cols()));
  for (Eigen::Index i = 0; i < basis_.cols(); ++i) basis_(0, i) -= mean;
  normal_ = (basis_ * basis_.transpose()).cast<double>();
  usable_ = normal_(0, 0) > 0.0 && normal_(3, 3) > 0.0 && normal_(6, 6) > 0.0;
}

std::optional<AffineFit> AffinePatch::find(const cv::Mat& level, const cv::Point2d& start,
                                           int max_iterations) const {
  if (!usable_) return std::nullopt;
  const LogLight other = log_light(level, start, half_ + kRoom);
  if (other.values.rows < 2 || other.values.cols < 2) return std::nullopt;
  Map map;
  map.c = {start.x - other.first.x, start.y - other.first.y};
  const int side = 2 * half_ + 1;
  Seen seen;
  seen.values.resize(basis_.cols());
  seen.weights.resize(basis_.cols());
  for (int iteration = 0; iteration < max_iterations; ++iteration) {
    sample_into(other, map, first_, side, seen);
    if (2 * seen.missing > basis_.cols()) return std::nullopt;
    const Eigen::Matrix<double, 8, 1> products = (basis_ * seen.values).cast<double>();
    const Normal normal =
        seen.missing == 0
            ? normal_
            : Normal((basis_ * seen.weights.asDiagonal() * basis_.transpose()).cast<double>());
    const Eigen::Matrix<double, 8, 1> solved = normal.ldlt().solve(products);
    const double gain = solved[0];
    if (!(gain > 0.0)) return std::nullopt;
    Eigen::Matrix2d stretch = Eigen::Matrix2d::Identity();
    stretch(0, 0) += solved[1] / gain;
    stretch(0, 1) += solved[2] / gain;
    stretch(1, 0) += solved[4] / gain;
    stretch(1, 1) += solved[5] / gain;
    const Eigen::Vector2d shift(solved[3] / gain, solved[6] / gain);
    const double determinant = stretch.determinant();
    if (!(determinant > 0.2 && determinant < 5.0) || shift.norm() > half_) return std::nullopt;
    map.A = map.A * stretch.inverse();
    map.c -= map.A * shift;
    const double corners = (stretch - Eigen::Matrix2d::Identity()).norm() * half_;
    if (shift.norm() > kSettled_px || corners > 4.0 * kSettled_px) continue;
    return AffineFit{{map.c.x() + other.first.x, map.c.y() + other.first.y},
                     correlation_of(normal, products, seen)};
  }
  return std::nullopt;
}

}  // namespace trunnion::refine
