#include "pipeline/output_pixels.h"

#include <algorithm>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/reduction.h"
#include "stages/report/report.h"

namespace trunnion {
namespace {

cv::Mat coverage_of(const cv::Mat& mask, int depth) {
  cv::Mat coverage;
  mask.convertTo(coverage, depth, depth == CV_16U ? 257.0 : 1.0);
  return coverage;
}

cv::Mat without_alpha(const cv::Mat& image, bool grey) {
  if (image.channels() != 4) return image;
  cv::Mat colour;
  if (grey) {
    cv::extractChannel(image, colour, 0);
  } else {
    cv::cvtColor(image, colour, cv::COLOR_BGRA2BGR);
  }
  return colour;
}

}  // namespace

cv::Mat picture_source(const cv::Mat& image) {
  const double shrink =
      report::ThumbnailOptions().large_px / static_cast<double>(std::max(image.cols, image.rows));
  if (shrink >= 1.0) return image.clone();
  const cv::Size size(cvRound(image.cols * shrink), cvRound(image.rows * shrink));
  cv::Mat small;
  cv::resize(reduced_towards(image, size), small, size, 0, 0, cv::INTER_AREA);
  return small;
}

cv::Mat with_depth(const cv::Mat& image, OutputBits bits) {
  cv::Mat converted;
  if (bits == OutputBits::eight && image.depth() == CV_16U) {
    image.convertTo(converted, CV_8U, 1.0 / 257.0);
  } else if (bits == OutputBits::sixteen && image.depth() == CV_8U) {
    image.convertTo(converted, CV_16U, 257.0);
  } else {
    return image;
  }
  return converted;
}

cv::Mat with_mask(const cv::Mat& image, const cv::Mat& mask, AlphaMode mode, bool grey) {
  if (mode == AlphaMode::alpha) {
    if (mask.empty()) return image;
    const cv::Mat colour = without_alpha(image, false);
    const std::vector<cv::Mat> from{colour, coverage_of(mask, image.depth())};
    std::vector<cv::Mat> to{cv::Mat(image.size(), CV_MAKETYPE(image.depth(), 4))};
    cv::mixChannels(from, to,
                    colour.channels() == 1 ? std::vector<int>{0, 0, 0, 1, 0, 2, 1, 3}
                                           : std::vector<int>{0, 0, 1, 1, 2, 2, 3, 3});
    return to.front();
  }
  const cv::Mat colour = without_alpha(image, grey);
  if (mode == AlphaMode::none || mask.empty()) return colour;
  const cv::Mat coverage = coverage_of(mask, image.depth());
  std::vector<cv::Mat> planes;
  cv::split(colour, planes);
  const double full = image.depth() == CV_16U ? 65535.0 : 255.0;
  for (cv::Mat& plane : planes) cv::multiply(plane, coverage, plane, 1.0 / full);
  cv::Mat result;
  cv::merge(planes, result);
  return result;
}

}  // namespace trunnion
