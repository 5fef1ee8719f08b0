// An even backdrop, for the parts of the mask stage on drawn images.
#pragma once

#include <opencv2/core.hpp>

#include "core/survey_result.h"

namespace trunnion::test {

// What a survey would find of an even backdrop, 16 bit.
inline SurveyResult even_survey(const cv::Size& size, int scale, const cv::Scalar& backdrop) {
  SurveyResult survey;
  survey.width_px = size.width;
  survey.height_px = size.height;
  survey.full_scale = 65535;
  survey.scale = scale;
  const cv::Size blocks((size.width + scale - 1) / scale, (size.height + scale - 1) / scale);
  survey.backdrop = cv::Mat(blocks, CV_32FC3, backdrop);
  survey.backdrop_seen = cv::Mat(blocks, CV_8U, cv::Scalar(255));
  survey.mount = cv::Mat::zeros(blocks, CV_8U);
  survey.occupied = cv::Mat(blocks, CV_8U, cv::Scalar(255));
  survey.noise.at_zero = 100 * 100;
  survey.separation = {0.5, 30, 6, 20};
  return survey;
}

inline cv::Mat even_image(const cv::Size& size, const cv::Scalar& colour) {
  return {size, CV_16UC3, colour};
}

}  // namespace trunnion::test
