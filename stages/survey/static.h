// The static part of the logarithm of the images over all stations, as a field of gradients.
//
// A speck on the sensor multiplies the light by its transmission T: ln I_k = ln S_k + ln T at
// station k. The gradients of the scene S_k move on with the specimen and are small almost
// everywhere, so the gradient of ln T is the location of the gradients over the stations
// (Y. Weiss, "Deriving intrinsic images from image sequences", ICCV 2001, takes the median). Here
// it is Huber's estimate (P. J. Huber, "Robust estimation of a location parameter", Annals of
// Mathematical Statistics 35(1), 1964) with weights 1 / variance: of the sensor's noise or, where
// that is more, of the texture around the pixel at that station.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "core/noise.h"

namespace trunnion::survey {

using LightNoise = NoiseModel;  // of one pixel of a quantised log image, level 0..1

struct StaticGradient {
  // CV_32FC1 each. x[r, c] belongs to ln T[r, c + 1] - ln T[r, c], y[r, c] to ln T[r + 1, c] -
  // ln T[r, c]; weights are 1 / variance, 0 where there is no neighbour.
  cv::Mat x, y;
  cv::Mat weight_x, weight_y;
  cv::Mat texture;  // 0..1, share of the weight that stations with texture have
};

// CV_16U, logarithm of `grey` (CV_32FC1) over `full_scale`.
cv::Mat quantised_log(const cv::Mat& grey, double full_scale);

// By how much the logarithm grows from one value of a quantised log image to the next.
float quantised_log_step();

// `logs` are quantised log images of equal size.
StaticGradient static_gradient(const std::vector<cv::Mat>& logs, const LightNoise& noise);

// Takes the weight from what touches one of the `defects`, given in px of a field `scale` times as
// fine whose pixel `origin` is this one's first.
void leave_out(StaticGradient& field, const std::vector<cv::Point2d>& defects,
               const cv::Point& origin, double scale = 1);

}  // namespace trunnion::survey
