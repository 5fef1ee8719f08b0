#include "stages/survey/surface.h"

#include <tbb/parallel_for.h>

#include <Eigen/Cholesky>
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/fill_smoothly.h"
#include "core/median.h"

namespace trunnion::survey {
namespace {

constexpr int kTerms = 10;         // of the cubic surface under a continuation
constexpr int kSurfaceRounds = 4;  // of its robust fit

using Terms = Eigen::Matrix<double, kTerms, 1>;

Terms terms_at(double x, double y) {
  Terms terms;
  terms << 1, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y;
  return terms;
}

// Least-squares cubic surface through `known`, robust by Tukey's weights (biweight, F. Mosteller
// and J. W. Tukey, "Data analysis and regression", 1977); empty where too little is known.
cv::Mat cubic_surface(const cv::Mat& value, const cv::Mat& known) {
  const int step = std::max(1, std::max(value.cols, value.rows) / 120);
  std::vector<cv::Point> points;
  for (int y = step / 2; y < value.rows; y += step) {
    for (int x = step / 2; x < value.cols; x += step) {
      if (known.at<std::uint8_t>(y, x) != 0) points.emplace_back(x, y);
    }
  }
  if (points.size() < 20U * kTerms) return {};
  const double scale = 2.0 / std::max(value.cols, value.rows);
  const auto terms_of = [&](int x, int y) {
    return terms_at(scale * x - 0.5 * scale * value.cols, scale * y - 0.5 * scale * value.rows);
  };
  cv::Mat surface(value.size(), CV_32FC3);
  std::array<Terms, 3> solution;
  tbb::parallel_for(0, 3, [&](int c) {
    std::vector<double> weights(points.size(), 1.0);
    Terms& found = solution[static_cast<std::size_t>(c)];
    for (int round = 0; round < kSurfaceRounds; ++round) {
      Eigen::Matrix<double, kTerms, kTerms> normal = 1e-9 * decltype(normal)::Identity();
      Terms right = Terms::Zero();
      for (std::size_t k = 0; k < points.size(); ++k) {
        const Terms t = terms_of(points[k].x, points[k].y);
        normal += weights[k] * t * t.transpose();
        right += weights[k] * t * static_cast<double>(value.at<cv::Vec3f>(points[k])[c]);
      }
      found = normal.ldlt().solve(right);
      std::vector<double> misses(points.size());
      for (std::size_t k = 0; k < points.size(); ++k) {
        misses[k] = std::abs(terms_of(points[k].x, points[k].y).dot(found) -
                             static_cast<double>(value.at<cv::Vec3f>(points[k])[c]));
      }
      std::vector<double> sorted = misses;
      const double reach = 4.685 * 1.4826 * median_in_place(sorted) + 1.0;
      for (std::size_t k = 0; k < points.size(); ++k) {
        const double u = misses[k] / reach;
        weights[k] = u < 1 ? (1 - u * u) * (1 - u * u) : 0.0;
      }
    }
  });
  tbb::parallel_for(0, value.rows, [&](int y) {
    auto* row = surface.ptr<cv::Vec3f>(y);
    for (int x = 0; x < value.cols; ++x) {
      const Terms t = terms_of(x, y);
      for (int c = 0; c < 3; ++c) {
        row[x][c] = static_cast<float>(t.dot(solution[static_cast<std::size_t>(c)]));
      }
    }
  });
  return surface;
}

}  // namespace

cv::Mat continue_smoothly(const cv::Mat& value, const cv::Mat& known) {
  const cv::Mat surface = cubic_surface(value, known);
  if (surface.empty()) return fill_smoothly(value, known);
  return surface + fill_smoothly(value - surface, known);
}

}  // namespace trunnion::survey
