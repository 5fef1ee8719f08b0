#include "pipeline/output_pixels.h"

#include <algorithm>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/reduction.h"
#include "stages/report.h"

namespace trunnion {

cv::Mat picture_source(const cv::Mat& image) {
  const double shrink =
      ThumbnailOptions().large_px / static_cast<double>(std::max(image.cols, image.rows));
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

cv::Mat with_mask(const cv::Mat& image, const cv::Mat& mask, AlphaMode mode) {
  if (mode == AlphaMode::none || mask.empty()) return image;
  const double scale = image.depth() == CV_16U ? 257.0 : 1.0;
  cv::Mat coverage;
  mask.convertTo(coverage, image.depth(), scale);
  cv::Mat result;
  if (mode == AlphaMode::alpha) {
    cv::Mat colour = image;
    if (image.channels() == 1) cv::cvtColor(image, colour, cv::COLOR_GRAY2BGR);
    if (image.channels() == 4) cv::cvtColor(image, colour, cv::COLOR_BGRA2BGR);
    std::vector<cv::Mat> planes;
    cv::split(colour, planes);
    planes.push_back(coverage);
    cv::merge(planes, result);
    return result;
  }
  std::vector<cv::Mat> planes;
  cv::split(image, planes);
  const double full = image.depth() == CV_16U ? 65535.0 : 255.0;
  for (cv::Mat& plane : planes) cv::multiply(plane, coverage, plane, 1.0 / full);
  cv::merge(planes, result);
  return result;
}

}  // namespace trunnion
