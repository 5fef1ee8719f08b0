#include "stages/survey/surface.h"

#include <tbb/parallel_for.h>

#include <Eigen/Cholesky>
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

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

cv::Mat fill_smoothly(const cv::Mat& value, const cv::Mat& known) {
  std::vector<cv::Mat> sums;
  std::vector<cv::Mat> weights;
  cv::Mat weight;
  known.convertTo(weight, CV_32F, 1.0 / 255.0);
  cv::Mat weight3;
  cv::merge(std::vector<cv::Mat>{weight, weight, weight}, weight3);
  sums.push_back(value.mul(weight3));
  weights.push_back(weight);
  while (std::max(sums.back().cols, sums.back().rows) > 2) {
    const cv::Size half((sums.back().cols + 1) / 2, (sums.back().rows + 1) / 2);
    cv::Mat sum;
    cv::Mat w;
    cv::resize(sums.back(), sum, half, 0, 0, cv::INTER_AREA);
    cv::resize(weights.back(), w, half, 0, 0, cv::INTER_AREA);
    // Saturating weights let near pixels outvote many far ones.
    for (int y = 0; y < half.height; ++y) {
      for (int x = 0; x < half.width; ++x) {
        float& at = w.ptr<float>(y)[x];
        const float scaled = std::min(1.0F, 4.0F * at);
        if (at > 0) sum.ptr<cv::Vec3f>(y)[x] *= scaled / at;
        at = scaled;
      }
    }
    sums.push_back(sum);
    weights.push_back(w);
  }
  cv::Mat filled;
  for (std::size_t level = sums.size(); level-- > 0;) {
    cv::Mat here(sums[level].size(), CV_32FC3, cv::Scalar::all(0));
    cv::Mat coarse;
    if (!filled.empty()) cv::resize(filled, coarse, here.size(), 0, 0, cv::INTER_LINEAR);
    for (int y = 0; y < here.rows; ++y) {
      for (int x = 0; x < here.cols; ++x) {
        const float w = weights[level].ptr<float>(y)[x];
        cv::Vec3f at = sums[level].ptr<cv::Vec3f>(y)[x];
        if (!coarse.empty()) {
          at += (1.0F - w) * coarse.ptr<cv::Vec3f>(y)[x];
        } else if (w > 0) {
          at *= 1.0F / w;
        }
        here.ptr<cv::Vec3f>(y)[x] = at;
      }
    }
    filled = here;
  }
  return filled;
}

cv::Mat continue_smoothly(const cv::Mat& value, const cv::Mat& known) {
  const cv::Mat surface = cubic_surface(value, known);
  if (surface.empty()) return fill_smoothly(value, known);
  return surface + fill_smoothly(value - surface, known);
}

}  // namespace trunnion::survey
