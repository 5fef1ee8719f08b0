#include "stages/mask/outline_tiles.h"

#include <algorithm>

namespace trunnion::mask {
namespace {

constexpr int kSide = 128;  // px of a core

}  // namespace

std::vector<OutlineTile> outline_tiles(const cv::Mat& binary_mask, const cv::Rect& box, int rim) {
  std::vector<OutlineTile> tiles;
  const cv::Rect whole({0, 0}, binary_mask.size());
  for (int y = box.y; y < box.br().y; y += kSide) {
    for (int x = box.x; x < box.br().x; x += kSide) {
      const cv::Rect core = cv::Rect(x, y, kSide, kSide) & box;
      const cv::Rect outer =
          cv::Rect(core.x - rim, core.y - rim, core.width + 2 * rim, core.height + 2 * rim) & whole;
      const int set = cv::countNonZero(binary_mask(outer));
      if (set > 0 && set < outer.area()) tiles.push_back({core, outer});
    }
  }
  return tiles;
}

}  // namespace trunnion::mask
