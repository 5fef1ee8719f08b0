#include "stages/mask_unmix.h"

#include <algorithm>
#include <cmath>

namespace trunnion {
namespace {

// A specimen that differs from the backdrop by less than this is no measure of coverage.
constexpr float kTellingSigmas = 8.0F;
constexpr int kRounds = 3;
constexpr float kLeastSpread = 0.2F;  // of the colours' own: at little coverage the noise decides

// Adjugate of a symmetric matrix: its inverse times its determinant.
cv::Matx33f adjugate(const cv::Matx33f& m) {
  const float a = m(1, 1) * m(2, 2) - m(1, 2) * m(1, 2);
  const float b = m(0, 2) * m(1, 2) - m(0, 1) * m(2, 2);
  const float c = m(0, 1) * m(1, 2) - m(0, 2) * m(1, 1);
  const float d = m(0, 0) * m(2, 2) - m(0, 2) * m(0, 2);
  const float e = m(0, 1) * m(0, 2) - m(0, 0) * m(1, 2);
  const float f = m(0, 0) * m(1, 1) - m(0, 1) * m(0, 1);
  return {a, b, c, b, d, e, c, e, f};
}

}  // namespace

float product(const Vec3& v, const cv::Matx33f& m, const Vec3& w) {
  const Vec3 mw = m * w;
  return v.dot(mw);
}

Mixture unmix(const Vec3& pixel, const Colours& own, const Vec3& behind, float variance) {
  const Vec3 span = own.mean - behind;
  const float length2 = span.dot(span);
  if (length2 < std::max(1e-7F, kTellingSigmas * kTellingSigmas * variance)) return {};
  const Vec3 here = pixel - behind;
  float coverage = std::clamp(here.dot(span) / length2, 0.0F, 1.0F);
  for (int round = 0; round < kRounds; ++round) {
    const float share = std::max(kLeastSpread, coverage);
    cv::Matx33f covariance = share * share * own.spread;
    for (int c = 0; c < 3; ++c) covariance(c, c) += variance;
    const cv::Matx33f metric = adjugate(covariance);
    coverage = std::clamp(product(here, metric, span) / product(span, metric, span), 0.0F, 1.0F);
  }
  cv::Matx33f covariance = coverage * coverage * own.spread;
  for (int c = 0; c < 3; ++c) covariance(c, c) += variance;
  const cv::Matx33f metric = adjugate(covariance);
  const float det = covariance(0, 0) * metric(0, 0) + covariance(0, 1) * metric(0, 1) +
                    covariance(0, 2) * metric(0, 2);
  const Vec3 rest = here - coverage * span;
  return {coverage, product(rest, metric, rest) / det + std::log(det), true};
}

}  // namespace trunnion
