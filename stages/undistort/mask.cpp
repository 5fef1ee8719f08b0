#include <algorithm>
#include <cstdint>
#include <vector>

#include "stages/undistort/runs.h"
#include "stages/undistort/undistort.h"

namespace trunnion::undistort {
namespace {

// Which blocks of a mask hold one value only: away from the outline there is nothing to
// interpolate.
class UniformBlocks {
 public:
  explicit UniformBlocks(const cv::Mat& mask)
      : size_(mask.size()),
        value_((mask.rows + kSide - 1) / kSide, (mask.cols + kSide - 1) / kSide, CV_16S) {
    std::vector<std::uint8_t> least(static_cast<std::size_t>(mask.cols));
    std::vector<std::uint8_t> most(least.size());
    for (int j = 0; j < value_.rows; ++j) {
      std::fill(least.begin(), least.end(), std::uint8_t{255});
      std::fill(most.begin(), most.end(), std::uint8_t{0});
      for (int y = j * kSide; y < std::min(mask.rows, (j + 1) * kSide); ++y) {
        const auto* row = mask.ptr<std::uint8_t>(y);
        for (std::size_t x = 0; x < least.size(); ++x) {
          least[x] = std::min(least[x], row[x]);
          most[x] = std::max(most[x], row[x]);
        }
      }
      for (int i = 0; i < value_.cols; ++i) {
        const int end = std::min(mask.cols, (i + 1) * kSide);
        const auto lo = *std::min_element(least.begin() + i * kSide, least.begin() + end);
        const auto hi = *std::max_element(most.begin() + i * kSide, most.begin() + end);
        value_.at<std::int16_t>(j, i) = lo == hi ? lo : kMixed;
      }
    }
  }

  // The one value that all of a run's taps have; kMixed where there are several or some lie
  // outside.
  [[nodiscard]] int value_under(const Run& run) const {
    const std::int64_t steps = run.last - run.first - 1;
    const auto [x0, x1] = std::minmax({run.x, run.x + steps * run.step_x});
    const auto [y0, y1] = std::minmax({run.y, run.y + steps * run.step_y});
    // A pixel more on either side: the taps, and fractions that are rounded up to the next pixel.
    const std::int64_t left = (x0 >> kFractionBits) - 1;
    const std::int64_t right = (x1 >> kFractionBits) + 2;
    const std::int64_t top = (y0 >> kFractionBits) - 1;
    const std::int64_t bottom = (y1 >> kFractionBits) + 2;
    if (left < 0 || top < 0 || right >= size_.width || bottom >= size_.height) return kMixed;
    const int value =
        value_.at<std::int16_t>(static_cast<int>(top) / kSide, static_cast<int>(left) / kSide);
    for (int j = static_cast<int>(top) / kSide; j <= static_cast<int>(bottom) / kSide; ++j) {
      for (int i = static_cast<int>(left) / kSide; i <= static_cast<int>(right) / kSide; ++i) {
        if (value_.at<std::int16_t>(j, i) != value) return kMixed;
      }
    }
    return value;
  }

  static constexpr std::int16_t kMixed = -1;

 private:
  static constexpr int kSide = 32;
  cv::Size size_;
  cv::Mat value_;
};

}  // namespace

cv::Mat undistort_mask(const cv::Mat& coverage, const UndistortMap& map) {
  if (map.identity) return coverage;
  CV_Assert(coverage.type() == CV_8UC1);
  const Resampler<std::uint8_t, 1, 2> resampler(coverage);
  const UniformBlocks blocks(coverage);
  cv::Mat result(map.to.height_px, map.to.width_px, CV_8U);
  for_each_run(map, {0, map.to.height_px}, [&](int row, const Run& run) {
    auto* out = result.ptr<std::uint8_t>(row);
    const int value = blocks.value_under(run);
    if (value == UniformBlocks::kMixed) {
      resample_run(resampler, run, out);
    } else {
      std::fill(out + run.first, out + run.last, static_cast<std::uint8_t>(value));
    }
  });
  return result;
}

}  // namespace trunnion::undistort
