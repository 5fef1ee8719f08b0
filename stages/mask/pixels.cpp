#include "stages/mask/pixels.h"

#include <algorithm>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/contrast.h"
#include "stages/mask/values.h"

namespace trunnion::mask {

cv::Mat standing_out(const cv::Mat& image, const BlockContrast& blocks,
                     const SurveyResult& survey) {
  const int side = blocks.side;
  cv::Mat result = cv::Mat::zeros(image.size(), CV_8U);
  std::vector<cv::Point> mixed;
  for (int j = 0; j < blocks.state.rows; ++j) {
    for (int i = 0; i < blocks.state.cols; ++i) {
      const auto state = blocks.state.at<uchar>(j, i);
      if (state == kClear) continue;
      if (state == kMixed) {
        mixed.emplace_back(i, j);
        continue;
      }
      const cv::Rect block(i * side, j * side, side, side);
      result(block & cv::Rect({0, 0}, image.size())).setTo(255);
    }
  }
  // Mixed blocks are gathered into strips, each with a rim of a pixel, so that averaging and colour
  // conversion run over long rows. A mean of 3 x 3 finds what noise hides and what is thin alike.
  constexpr std::size_t kBatch = 1024;
  const int wide = side + 2;
  const cv::Rect whole({0, 0}, image.size());
  cv::Mat strip(wide, static_cast<int>(kBatch) * wide, image.type(), cv::Scalar::all(0));
  cv::Mat smooth;
  for (std::size_t first = 0; first < mixed.size(); first += kBatch) {
    const std::size_t last = std::min(mixed.size(), first + kBatch);
    for (std::size_t k = first; k < last; ++k) {
      const cv::Rect wanted(mixed[k].x * side - 1, mixed[k].y * side - 1, wide, wide);
      const cv::Rect found = wanted & whole;
      cv::Mat cell = strip(cv::Rect(static_cast<int>(k - first) * wide, 0, wide, wide));
      if (found == wanted) {
        image(found).copyTo(cell);
      } else {
        cv::copyMakeBorder(image(found), cell, found.y - wanted.y, wanted.br().y - found.br().y,
                           found.x - wanted.x, wanted.br().x - found.br().x, cv::BORDER_REPLICATE);
      }
    }
    cv::blur(strip.colRange(0, static_cast<int>(last - first) * wide), smooth, {3, 3});
    const cv::Mat lab = to_lab(smooth, survey.full_scale);
    for (std::size_t k = first; k < last; ++k) {
      const cv::Rect block = cv::Rect(mixed[k].x * side, mixed[k].y * side, side, side) & whole;
      const float low = blocks.low.at<float>(mixed[k]);
      for (int v = 0; v < block.height; ++v) {
        const auto* pixel = lab.ptr<Vec3>(v + 1) + (k - first) * static_cast<std::size_t>(wide) + 1;
        auto* out = result.ptr<std::uint8_t>(block.y + v) + block.x;
        for (int u = 0; u < block.width; ++u) {
          const Vec3 behind = at_pixel(blocks.backdrop_lab, side, block.x + u, block.y + v);
          out[u] = contrast(pixel[u], behind) >= low ? 255 : 0;
        }
      }
    }
  }
  return result;
}

}  // namespace trunnion::mask
