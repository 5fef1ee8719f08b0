#include "stages/calibrate_lens/coverage.h"

#include <algorithm>
#include <cmath>

namespace trunnion::calibrate_lens {

void add_coverage(const Frame& frame, const Eigen::Vector2d& p, Coverage& coverage) {
  const int column = std::clamp(static_cast<int>(p.x() * Coverage::kColumns / frame.width_px), 0,
                                Coverage::kColumns - 1);
  const int row = std::clamp(static_cast<int>(p.y() * Coverage::kRows / frame.height_px), 0,
                             Coverage::kRows - 1);
  ++coverage.corners[static_cast<std::size_t>(row * Coverage::kColumns + column)];
  coverage.reach = std::max(
      coverage.reach, std::hypot(p.x() - frame.centre_x(), p.y() - frame.centre_y()) / frame.rho());
}

double covered_share(const Coverage& coverage) {
  const auto covered =
      std::count_if(coverage.corners.begin(), coverage.corners.end(), [](int n) { return n > 0; });
  return static_cast<double>(covered) / static_cast<double>(coverage.corners.size());
}

void measure_coverage(LensResult& result) {
  Coverage& coverage = result.coverage;
  coverage.corners.assign(static_cast<std::size_t>(Coverage::kColumns * Coverage::kRows), 0);
  for (const LensImage& image : result.images) {
    if (!image.used) continue;
    for (std::size_t i = 0; i < image.corners_px.size(); ++i) {
      if (image.corner_used[i] != 0) add_coverage(result.fit.frame, image.corners_px[i], coverage);
    }
  }
  coverage.share = covered_share(coverage);
}

double largest_tilt(const LensResult& result) {
  double largest = 0;
  for (const LensImage& image : result.images) {
    if (image.used) largest = std::max(largest, image.tilt);
  }
  return largest;
}

}  // namespace trunnion::calibrate_lens
