// Coverage of a pixel whose specimen's colour is known only as a normal distribution.
//
// The pixel is I = a F + (1 - a) B + noise with the backdrop B known and F ~ N(m, S), so I - B is
// normal with mean a (m - B) and covariance V(a) = a^2 S + v 1. For V held fixed the likeliest
// coverage is
//   a = (I - B)' V^-1 (m - B) / ((m - B)' V^-1 (m - B)),
// iterated with V of the last a. Colours of a specimen vary far more in brightness than in hue: the
// metric V^-1 reads the coverage from what does not vary, where the backdrop leaves such a
// direction. With S = 0 it is the projection onto m - B.
// Y.-Y. Chuang et al., "A Bayesian approach to digital matting", CVPR 2001, with the backdrop
// given.
#pragma once

#include "stages/mask/values.h"

namespace trunnion::mask {

// Of the specimen near a pixel; values 0..1.
struct Colours {
  Vec3 mean;
  cv::Matx33f spread;  // covariance
};

struct Mixture {
  float coverage = 1;
  float cost = 0;        // -2 log likelihood, but for a constant
  bool decided = false;  // specimen and backdrop differ enough to decide
};

// `variance` of the pixel's noise in each channel.
Mixture unmix(const Vec3& pixel, const Colours& own, const Vec3& behind, float variance);

// v' m w of a symmetric matrix.
double product(const cv::Vec3d& v, const cv::Matx33d& m, const cv::Vec3d& w);

}  // namespace trunnion::mask
