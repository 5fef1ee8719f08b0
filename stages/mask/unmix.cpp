#include "stages/mask/unmix.h"

#include <algorithm>
#include <cmath>

namespace trunnion::mask {
namespace {

// A specimen that differs from the backdrop by less than this is no measure of coverage.
constexpr double kTellingSigmas = 8.0;
constexpr int kRounds = 3;
constexpr double kLeastVariance = 1e-9;  // images without noise are drawn, not taken
constexpr double kLeastSpread = 0.2;  // of the colours' own: at little coverage the noise decides

// Adjugate of a symmetric matrix: its inverse times its determinant. In double precision: the
// colours of a grey image differ in one direction only, and the rest would cancel.
cv::Matx33d adjugate(const cv::Matx33d& m) {
  const double a = m(1, 1) * m(2, 2) - m(1, 2) * m(1, 2);
  const double b = m(0, 2) * m(1, 2) - m(0, 1) * m(2, 2);
  const double c = m(0, 1) * m(1, 2) - m(0, 2) * m(1, 1);
  const double d = m(0, 0) * m(2, 2) - m(0, 2) * m(0, 2);
  const double e = m(0, 1) * m(0, 2) - m(0, 0) * m(1, 2);
  const double f = m(0, 0) * m(1, 1) - m(0, 1) * m(0, 1);
  return {a, b, c, b, d, e, c, e, f};
}

// Of the pixel at a given coverage.
cv::Matx33d covariance_at(double coverage, const cv::Matx33d& spread, double variance) {
  cv::Matx33d covariance = coverage * coverage * spread;
  for (int c = 0; c < 3; ++c) covariance(c, c) += std::max(kLeastVariance, variance);
  return covariance;
}

}  // namespace

double product(const cv::Vec3d& v, const cv::Matx33d& m, const cv::Vec3d& w) {
  const cv::Vec3d mw = m * w;
  return v.dot(mw);
}

Mixture unmix(const Vec3& pixel, const Colours& own, const Vec3& behind, float variance) {
  const cv::Vec3d span = cv::Vec3d(own.mean) - cv::Vec3d(behind);
  const double length2 = span.dot(span);
  if (!(length2 >= std::max(1e-7, kTellingSigmas * kTellingSigmas * variance))) return {};
  const cv::Vec3d here = cv::Vec3d(pixel) - cv::Vec3d(behind);
  const cv::Matx33d spread = own.spread;
  double coverage = std::clamp(here.dot(span) / length2, 0.0, 1.0);
  for (int round = 0; round < kRounds; ++round) {
    const double share = std::max(kLeastSpread, coverage);
    const cv::Matx33d metric = adjugate(covariance_at(share, spread, variance));
    const double whole = product(span, metric, span);
    if (!(whole > 0)) return {};
    coverage = std::clamp(product(here, metric, span) / whole, 0.0, 1.0);
  }
  const cv::Matx33d covariance = covariance_at(coverage, spread, variance);
  const cv::Matx33d metric = adjugate(covariance);
  const double det = covariance(0, 0) * metric(0, 0) + covariance(0, 1) * metric(0, 1) +
                     covariance(0, 2) * metric(0, 2);
  if (!(det > 0)) return {};
  const cv::Vec3d rest = here - coverage * span;
  const double cost = product(rest, metric, rest) / det + std::log(det);
  return {static_cast<float>(coverage), static_cast<float>(cost), true};
}

}  // namespace trunnion::mask
