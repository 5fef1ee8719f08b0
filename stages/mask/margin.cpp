#include "stages/mask/margin.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <limits>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace trunnion::mask {
namespace {

constexpr float kHalf = 127.5F;
constexpr float kFar = std::numeric_limits<float>::infinity();

// Where between two neighbours (0 and 1) of coverages a and b, on either side of one half, the
// outline runs. Beside a pixel that is full or empty the edge is as sharp as a pixel shows it, and
// the area that both cover tells where it lies; else the ramp is wider and linear.
float place_of_outline(float a, float b) {
  const float more = std::max(a, b);
  const float less = std::min(a, b);
  const float from_more =
      more == 255.0F || less == 0.0F ? (a + b) / 255.0F - 0.5F : (more - kHalf) / (more - less);
  const float place = std::clamp(from_more, 0.0F, 1.0F);
  return a > b ? place : 1.0F - place;
}

// Squared distances along the columns to the nearest crossing between two pixels of the same
// column; infinite where the column has none.
cv::Mat squares_along_columns(const cv::Mat& coverage) {
  cv::Mat squares(coverage.size(), CV_32FC1, cv::Scalar(kFar));
  std::vector<float> last(static_cast<std::size_t>(coverage.cols), -kFar);
  const auto crossing = [&](int y, int x) {  // between y and y + 1; NaN where there is none
    const float a = coverage.ptr<uchar>(y)[x];
    const float b = coverage.ptr<uchar>(y + 1)[x];
    if ((a > kHalf) == (b > kHalf)) return std::numeric_limits<float>::quiet_NaN();
    return static_cast<float>(y) + place_of_outline(a, b);
  };
  const auto visit = [&](int y, int between) {
    auto* row = squares.ptr<float>(y);
    for (int x = 0; x < coverage.cols; ++x) {
      float& at = last[static_cast<std::size_t>(x)];
      if (between >= 0 && between + 1 < coverage.rows) {
        const float found = crossing(between, x);
        if (!std::isnan(found)) at = found;
      }
      const float away = static_cast<float>(y) - at;
      row[x] = std::min(row[x], away * away);
    }
  };
  for (int y = 0; y < coverage.rows; ++y) visit(y, y - 1);
  std::fill(last.begin(), last.end(), kFar);
  for (int y = coverage.rows - 1; y >= 0; --y) visit(y, y);
  return squares;
}

// Lower envelope of the parabolas (x - k)^2 + row[k], written over the row.
class Envelope {
 public:
  explicit Envelope(int width)
      : top_(static_cast<std::size_t>(width)),
        from_(static_cast<std::size_t>(width)),
        height_(static_cast<std::size_t>(width)) {}

  void lower(float* row, int width) {
    std::size_t count = 0;
    for (int k = 0; k < width; ++k) {
      if (row[k] == kFar) continue;
      double from = -std::numeric_limits<double>::infinity();
      while (count > 0) {
        from = meet(count - 1, k, row[k]);
        if (from > from_[count - 1]) break;
        --count;
        from = -std::numeric_limits<double>::infinity();
      }
      top_[count] = k;
      height_[count] = row[k];
      from_[count] = from;
      ++count;
    }
    if (count == 0) return;
    std::size_t at = 0;
    for (int x = 0; x < width; ++x) {
      while (at + 1 < count && from_[at + 1] < x) ++at;
      const double away = x - top_[at];
      row[x] = static_cast<float>(away * away + height_[at]);
    }
  }

 private:
  // Where the parabola at `k` begins to lie below the one at place `n` of the envelope.
  [[nodiscard]] double meet(std::size_t n, int k, double height) const {
    const double t = top_[n];
    return ((height + static_cast<double>(k) * k) - (height_[n] + t * t)) / (2.0 * (k - t));
  }

  std::vector<int> top_;      // where each parabola has its least value
  std::vector<double> from_;  // from where on it is the lowest
  std::vector<double> height_;
};

// Squared distances to the nearest crossing between two pixels of the same column.
cv::Mat squares_to_crossings(const cv::Mat& coverage) {
  cv::Mat squares = squares_along_columns(coverage);
  Envelope envelope(squares.cols);
  for (int y = 0; y < squares.rows; ++y) envelope.lower(squares.ptr<float>(y), squares.cols);
  return squares;
}

cv::Mat transposed(const cv::Mat& image) {
  cv::Mat result;
  cv::transpose(image, result);
  return result;
}

}  // namespace

double margin_px(const MaskSettings& settings, double object_pixel_mm) {
  double margin = settings.margin_px;
  if (settings.margin_mm != 0.0 && object_pixel_mm > 0.0) {
    margin += settings.margin_mm / object_pixel_mm;
  }
  return margin;
}

cv::Mat with_margin(const cv::Mat& outline, double margin) {
  if (margin == 0) return outline;
  cv::Mat coverage = outline.clone();
  const cv::Rect box = cv::boundingRect(outline > kHalf);
  if (box.empty()) return coverage;
  const cv::Rect image({0, 0}, outline.size());
  // One pixel more holds all crossings, two the rim of what has grown.
  const int reach = 2 + static_cast<int>(std::ceil(
                            std::clamp<double>(margin, 0.0, std::max(image.width, image.height))));
  const cv::Rect part =
      cv::Rect(box.x - reach, box.y - reach, box.width + 2 * reach, box.height + 2 * reach) & image;
  const cv::Mat before = outline(part);
  const cv::Mat squares =
      cv::min(squares_to_crossings(before), transposed(squares_to_crossings(transposed(before))));
  for (int y = 0; y < part.height; ++y) {
    const auto* from = before.ptr<uchar>(y);
    const auto* square = squares.ptr<float>(y);
    auto* to = coverage.ptr<uchar>(part.y + y) + part.x;
    for (int x = 0; x < part.width; ++x) {
      const float away = std::sqrt(square[x]);
      const double d = from[x] > kHalf ? -away : away;
      const auto moved = cv::saturate_cast<uchar>(255.0 * std::clamp(0.5 + margin - d, 0.0, 1.0));
      to[x] = margin > 0 ? std::max(from[x], moved) : std::min(from[x], moved);
    }
  }
  return coverage;
}

}  // namespace trunnion::mask
