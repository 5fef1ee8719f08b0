#include "stages/survey/separation.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <functional>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/median.h"

namespace trunnion::survey {
namespace {

constexpr double kLeastContrast = 1.5;  // of the low threshold; the eye's own limit is near 1
constexpr double kNoiseSigmas = 4.5;    // some 7 in a million by chance
constexpr double kPixelsAveraged =
    2.0;  // by how much averaging 3 x 3 px lowers the noise, at least
constexpr double kGreatestShare = 0.15;  // of the specimen's contrast: the low threshold at most
constexpr double kRestShare = 0.998;     // of the backdrop lies below its disturbance
constexpr double kRestMargin = 1.5;
constexpr int kAlways = 240;          // of 255: occupied at every station, save a miss
constexpr int kEver = 25;             // occupied at a tenth of them
constexpr double kMountWidth = 0.25;  // of the image; wider is a stage
constexpr double kMountSway = 1.6;    // a pin that is bent or off the axis sways a little
constexpr int kMountSlackPx = 3;

}  // namespace

namespace {

// The largest component of a frame's contrast above `low`.
cv::Mat largest_part(const cv::Mat& map, double low) {
  cv::Mat labels;
  cv::Mat stats;
  cv::Mat centroids;
  const int count =
      cv::connectedComponentsWithStats(map > low, labels, stats, centroids, 8, CV_32S);
  int best = 0;
  for (int k = 1; k < count; ++k) {
    if (best == 0 || stats.at<int>(k, cv::CC_STAT_AREA) > stats.at<int>(best, cv::CC_STAT_AREA)) {
      best = k;
    }
  }
  return best == 0 ? cv::Mat(cv::Mat::zeros(map.size(), CV_8U)) : cv::Mat(labels == best);
}

// The values of all maps, one map after another, where `choose` says so (CV_8U).
std::vector<float> values_where(const std::vector<cv::Mat>& maps,
                                const std::function<cv::Mat(const cv::Mat&)>& choose) {
  std::vector<std::vector<float>> parts(maps.size());
  tbb::parallel_for(std::size_t{0}, maps.size(), [&](std::size_t k) {
    const cv::Mat& map = maps[k];
    const cv::Mat where = choose(map);
    for (int y = 0; y < map.rows; ++y) {
      for (int x = 0; x < map.cols; ++x) {
        if (where.at<std::uint8_t>(y, x) != 0) parts[k].push_back(map.at<float>(y, x));
      }
    }
  });
  std::vector<float> values;
  for (const auto& part : parts) values.insert(values.end(), part.begin(), part.end());
  return values;
}

}  // namespace

Separation separate(const std::vector<cv::Mat>& contrasts, double noise) {
  Separation result;
  result.noise = noise;
  double low = std::max(5.0, 6.0 * noise);
  // The specimen's median contrast sets the thresholds, and they decide what counts as specimen:
  // twice round settles it.
  for (int round = 0; round < 2; ++round) {
    std::vector<float> values =
        values_where(contrasts, [low](const cv::Mat& map) { return largest_part(map, low); });
    if (values.empty()) break;
    result.specimen = median_in_place(values);
    low = std::max({kLeastContrast, kNoiseSigmas * noise, kGreatestShare * result.specimen});
  }
  // What else moves in front of the backdrop, shadows and spill and shifting cloth, must stay below
  // the low threshold; where nothing does, the threshold can go down towards the noise and dark
  // parts of the specimen are kept.
  std::vector<float> rest = values_where(contrasts, [low](const cv::Mat& map) {
    cv::Mat near = largest_part(map, low);
    const int reach = std::max(2, std::max(near.cols, near.rows) / 40);
    cv::dilate(near, near,
               cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * reach + 1, 2 * reach + 1}));
    return cv::Mat(~near);
  });
  double disturbance = low;
  if (rest.size() > 1000) {
    const auto rank = static_cast<std::ptrdiff_t>(kRestShare * static_cast<double>(rest.size()));
    std::nth_element(rest.begin(), rest.begin() + rank, rest.end());
    disturbance = rest[static_cast<std::size_t>(rank)];
  }
  result.low = std::min(low, std::max({kLeastContrast, kNoiseSigmas * noise / kPixelsAveraged,
                                       kRestMargin * disturbance}));
  result.high = std::max(8.0 * noise, 0.4 * result.specimen);
  return result;
}

namespace {

// Mount that enters from the bottom of `occupied`.
cv::Mat mount_from_bottom(const cv::Mat& occupied) {
  cv::Mat mount = cv::Mat::zeros(occupied.size(), CV_8U);
  for (int y = occupied.rows - 1; y >= 0; --y) {
    const auto* row = occupied.ptr<std::uint8_t>(y);
    int always = 0;
    int ever = 0;
    for (int x = 0; x < occupied.cols; ++x) {
      always += row[x] >= kAlways ? 1 : 0;
      ever += row[x] >= kEver ? 1 : 0;
    }
    const bool narrow = ever <= kMountWidth * occupied.cols;
    if (always == 0 || !narrow || ever > kMountSway * always + kMountSlackPx) break;
    auto* out = mount.ptr<std::uint8_t>(y);
    for (int x = 0; x < occupied.cols; ++x) out[x] = row[x] > 0 ? 255 : 0;
  }
  return mount;
}

}  // namespace

cv::Mat find_mount(const cv::Mat& occupied) {
  cv::Mat mount = mount_from_bottom(occupied);
  cv::Mat turned = occupied;
  for (int quarter = 1; quarter < 4; ++quarter) {
    cv::rotate(turned, turned, cv::ROTATE_90_CLOCKWISE);
    cv::Mat found = mount_from_bottom(turned);
    for (int back = 0; back < quarter; ++back) {
      cv::rotate(found, found, cv::ROTATE_90_COUNTERCLOCKWISE);
    }
    mount |= found;
  }
  return mount;
}

}  // namespace trunnion::survey
