#include "stages/survey/visibility.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

#include "core/contrast.h"

namespace trunnion::survey {
namespace {

using Pixel16 = cv::Vec<std::uint16_t, 3>;

constexpr float kSurelyElse = 1.5F;  // times the tolerance: no noise of the backdrop
constexpr int kSampledRows = 8;      // every so many; plenty for a rank

// Where one station sees the backdrop, CV_8U.
cv::Mat visible_at_station(const SurveyFrame& frame, const cv::Mat& expected_lab,
                           const cv::Vec3f& tolerance) {
  const cv::Mat lab = to_lab(equalised(frame), 65535.0);
  const cv::Vec3f scale(1.0F / tolerance[0], 1.0F / tolerance[1], 1.0F / tolerance[2]);
  cv::Mat agrees(lab.size(), CV_8U);
  cv::Mat perhaps(lab.size(), CV_8U);
  for (int y = 0; y < lab.rows; ++y) {
    const auto* here = lab.ptr<cv::Vec3f>(y);
    const auto* expected = expected_lab.ptr<cv::Vec3f>(y);
    auto* agreed = agrees.ptr<std::uint8_t>(y);
    auto* possible = perhaps.ptr<std::uint8_t>(y);
    for (int x = 0; x < lab.cols; ++x) {
      // Plain distance: a shadow is not the backdrop's own value.
      const cv::Vec3f away = (here[x] - expected[x]).mul(scale);
      const float distance2 = away.dot(away);
      agreed[x] = distance2 < 1.0F ? 255 : 0;
      possible[x] = distance2 < kSurelyElse * kSurelyElse ? 255 : 0;
    }
  }
  cv::erode(perhaps, perhaps, cv::Mat());
  return joined_to_edge(agrees) & perhaps;
}

}  // namespace

cv::Mat equalised(const SurveyFrame& frame, const cv::Range& rows) {
  cv::Mat value;
  frame.mean.rowRange(rows).convertTo(value, CV_32F);
  cv::multiply(value, cv::Scalar(frame.gain[0], frame.gain[1], frame.gain[2]), value);
  return value;
}

cv::Mat joined_to_edge(const cv::Mat& region) {
  constexpr int kJoined = 128;
  cv::Mat framed;
  cv::copyMakeBorder(region, framed, 1, 1, 1, 1, cv::BORDER_CONSTANT, cv::Scalar(255));
  cv::floodFill(framed, cv::Point(0, 0), cv::Scalar(kJoined), nullptr, {}, {}, 4);
  return framed(cv::Rect({1, 1}, region.size())) == kJoined;
}

BackdropVisibility visible_backdrop(const std::vector<SurveyFrame>& frames, const cv::Mat& expected,
                                    const cv::Vec3f& tolerance) {
  const cv::Mat lab = to_lab(expected, 65535.0);
  std::vector<cv::Mat> sees(frames.size());
  tbb::parallel_for(std::size_t{0}, frames.size(), [&](std::size_t k) {
    sees[k] = visible_at_station(frames[k], lab, tolerance);
  });
  BackdropVisibility visible{cv::Mat::zeros(lab.size(), CV_32FC3),
                             cv::Mat::zeros(lab.size(), CV_32FC1)};
  tbb::parallel_for(0, lab.rows, [&](int y) {
    auto* mean = visible.mean.ptr<cv::Vec3f>(y);
    auto* count = visible.count.ptr<float>(y);
    for (std::size_t k = 0; k < frames.size(); ++k) {
      const auto* value = frames[k].mean.ptr<Pixel16>(y);
      const auto* sees_here = sees[k].ptr<std::uint8_t>(y);
      const auto& gain = frames[k].gain;
      for (int x = 0; x < lab.cols; ++x) {
        if (sees_here[x] == 0) continue;
        mean[x] += cv::Vec3f(value[x][0] * gain[0], value[x][1] * gain[1], value[x][2] * gain[2]);
        count[x] += 1.0F;
      }
    }
    for (int x = 0; x < lab.cols; ++x) {
      if (count[x] > 0) mean[x] *= 1.0F / count[x];
    }
  });
  return visible;
}

namespace {

float ranked(std::vector<float>& values, double rank) {
  const auto at =
      values.begin() + static_cast<std::ptrdiff_t>(rank * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), at, values.end());
  return *at;
}

}  // namespace

cv::Vec3f scatter_over_stations(const std::vector<SurveyFrame>& frames, const cv::Mat& value,
                                const cv::Mat& still, double rank) {
  std::vector<cv::Vec3f> differences;
  for (int y = kSampledRows / 2; y < value.rows; y += kSampledRows) {
    const cv::Range row(y, y + 1);
    const auto* on = still.ptr<std::uint8_t>(y);
    const cv::Mat expected = to_lab(value.rowRange(row), 65535.0);
    for (const SurveyFrame& frame : frames) {
      const cv::Mat lab = to_lab(equalised(frame, row), 65535.0);
      for (int x = 0; x < value.cols; ++x) {
        if (on[x] == 0) continue;
        differences.push_back(lab.ptr<cv::Vec3f>(0)[x] - expected.ptr<cv::Vec3f>(0)[x]);
      }
    }
  }
  if (differences.empty()) return cv::Vec3f::all(0);
  std::vector<float> distances(differences.size());
  cv::Vec3f axes;
  for (int c = 0; c < 3; ++c) {
    std::transform(differences.begin(), differences.end(), distances.begin(),
                   [c](const cv::Vec3f& away) { return std::abs(away[c]); });
    axes[c] = std::max(ranked(distances, rank), 1e-6F);
  }
  std::transform(differences.begin(), differences.end(), distances.begin(),
                 [&axes](const cv::Vec3f& away) {
                   return std::hypot(away[0] / axes[0], away[1] / axes[1], away[2] / axes[2]);
                 });
  return ranked(distances, rank) * axes;
}

}  // namespace trunnion::survey
