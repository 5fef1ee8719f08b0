#include "stages/mask/spill.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/contrast.h"
#include "stages/mask/values.h"

namespace trunnion::mask {
namespace {

constexpr double kEdge = 3.0;   // px around clear specimen: its soft edge
constexpr double kBroad = 2.0;  // px to each side; bristles are narrower

cv::Mat square(int blocks) {
  return cv::getStructuringElement(cv::MORPH_RECT, {2 * blocks + 1, 2 * blocks + 1});
}

int in_blocks(double px, int side) {
  return std::max(1, static_cast<int>(std::lround(px / side)));
}

bool any_colour(const BlockContrast& blocks) {
  for (int j = 0; j < blocks.backdrop_lab.rows; ++j) {
    const auto* lab = blocks.backdrop_lab.ptr<Vec3>(j);
    if (std::any_of(lab, lab + blocks.backdrop_lab.cols,
                    [](const Vec3& v) { return is_coloured(v); })) {
      return true;
    }
  }
  return false;
}

// Adds to `dropped` the components of what else is `kept` that are nowhere above `high`: a speck on
// a reflection had passed with the specimen.
void drop_remains(const cv::Mat& kept, const BlockContrast& blocks, double high, cv::Mat& dropped) {
  cv::Mat labels;
  const int count = cv::connectedComponents((kept > 0) & ~dropped, labels, 8, CV_32S);
  std::vector<char> passes(static_cast<std::size_t>(count), 0);
  const auto label = [&labels](int j, int i) {
    return static_cast<std::size_t>(labels.at<int>(j, i));
  };
  for (int j = 0; j < labels.rows; ++j) {
    for (int i = 0; i < labels.cols; ++i) {
      if (blocks.strongest.at<float>(j, i) >= high) passes[label(j, i)] = 1;
    }
  }
  for (int j = 0; j < labels.rows; ++j) {
    for (int i = 0; i < labels.cols; ++i) {
      if (label(j, i) != 0 && passes[label(j, i)] == 0) dropped.at<std::uint8_t>(j, i) = 255;
    }
  }
}

}  // namespace

void drop_reflections(const BlockContrast& blocks, const SurveyResult& survey,
                      cv::Mat& binary_mask) {
  if (!any_colour(blocks)) return;
  const auto middle = static_cast<float>(0.5 * (survey.separation.low + survey.separation.high));
  const cv::Mat kept = any_in_blocks(binary_mask, blocks.side);
  cv::Mat weak = cv::Mat::zeros(kept.size(), CV_8U);
  cv::Mat clear = cv::Mat::zeros(kept.size(), CV_8U);
  for (int j = 0; j < kept.rows; ++j) {
    for (int i = 0; i < kept.cols; ++i) {
      if (kept.at<std::uint8_t>(j, i) == 0) continue;
      const Vec3& behind = blocks.backdrop_lab.ptr<Vec3>(j)[i];
      const bool coloured = is_coloured(behind);
      const bool below = coloured && blocks.strongest.at<float>(j, i) < middle;
      (below ? weak : clear).at<std::uint8_t>(j, i) = 255;
    }
  }
  if (cv::countNonZero(weak) == 0) return;
  const int edge = in_blocks(kEdge, blocks.side);
  cv::Mat near;
  cv::dilate(clear, near, square(edge));
  cv::Mat reflection;
  cv::morphologyEx(weak & ~near, reflection, cv::MORPH_OPEN, square(in_blocks(kBroad, blocks.side)),
                   cv::Point(-1, -1), 1, cv::BORDER_CONSTANT, cv::Scalar(0));
  // Up to the specimen's own edge.
  cv::dilate(reflection, reflection, square(edge));
  cv::dilate(clear, near, square(1));
  reflection &= weak & ~near;
  if (cv::countNonZero(reflection) == 0) return;
  drop_remains(kept, blocks, survey.separation.high, reflection);
  for (int j = 0; j < kept.rows; ++j) {
    for (int i = 0; i < kept.cols; ++i) {
      if (reflection.at<std::uint8_t>(j, i) == 0) continue;
      const cv::Rect block(i * blocks.side, j * blocks.side, blocks.side, blocks.side);
      binary_mask(block & cv::Rect({0, 0}, binary_mask.size())).setTo(0);
    }
  }
}

}  // namespace trunnion::mask
