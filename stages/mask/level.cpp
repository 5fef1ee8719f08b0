#include "stages/mask/level.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/contrast.h"
#include "core/fill_smoothly.h"
#include "core/median.h"
#include "core/runs.h"

namespace trunnion::mask {
namespace {

constexpr double kBeside_px = 3.0;   // from the kept region: its soft edge
constexpr double kAround_px = 30.0;  // within which an opening must be level
constexpr double kSmooth_px = 14.0;  // over which the difference is averaged
constexpr int kLeastOpening = 25;    // blocks; fewer may be a surface's own
constexpr double kLevelChi2 = 6.0;   // mean over an opening; 3 is noise alone
constexpr float kSlope = 0.02F;      // of the level: twice the error of the survey's continuation
constexpr float kForeign = 0.05F;  // of the level: what is off by more is no error of continuation
constexpr double kStructure = 0.0015;  // of the level: what a smooth backdrop varies by itself

int odd_blocks(double px, int side, int least) {
  return std::max(least, static_cast<int>(std::lround(px / side)) | 1);
}

// Means of `value` over a window where `on` (CV_32FC1, 0 or 1) says so.
cv::Mat mean_where(const cv::Mat& value, const cv::Mat& on, int window) {
  cv::Mat on3;
  cv::merge(std::vector<cv::Mat>{on, on, on}, on3);
  cv::Mat sum;
  cv::Mat count;
  cv::blur(value.mul(on3), sum, {window, window}, {-1, -1}, cv::BORDER_CONSTANT);
  cv::blur(on, count, {window, window}, {-1, -1}, cv::BORDER_CONSTANT);
  cv::max(count, 1e-6, count);
  cv::merge(std::vector<cv::Mat>{count, count, count}, on3);
  return sum / on3;
}

// Blocks of the kept region all of whose pixels do not stand out, CV_8U.
cv::Mat openings_of(const cv::Mat& foreground, const cv::Mat& binary_mask, int side) {
  cv::Mat inside = any_in_blocks(binary_mask, side);
  cv::Mat opening = inside & ~any_in_blocks(foreground, side) & ~any_in_blocks(~binary_mask, side);
  if (side > 2) return opening;
  cv::erode(opening, opening, cv::Mat(), cv::Point(-1, -1), 1, cv::BORDER_CONSTANT, cv::Scalar(0));
  return opening;
}

// Those of `openings` that are level.
cv::Mat level_openings(const cv::Mat& openings, const cv::Mat& difference,
                       const SurveyResult& survey, const BlockContrast& blocks) {
  cv::Mat on;
  openings.convertTo(on, CV_32F, 1.0 / 255.0);
  const cv::Mat around = mean_where(difference, on, odd_blocks(kAround_px, blocks.side, 5));
  const Regions regions = regions_of(openings, Neighbours::four);
  std::vector<double> chi2(regions.areas.size(), 0.0);
  std::vector<float> least(regions.areas.size(), 1.0F);  // of the local means over the level
  std::vector<float> most(regions.areas.size(), -1.0F);
  const double averaged = blocks.side * blocks.side;
  for (const Run& run : regions.runs) {
    for (int x = run.begin; x < run.end; ++x) {
      const auto& level = blocks.backdrop.ptr<cv::Vec3f>(run.y)[x];
      const cv::Vec3f off = difference.ptr<cv::Vec3f>(run.y)[x] - around.ptr<cv::Vec3f>(run.y)[x];
      const float mean = around.ptr<cv::Vec3f>(run.y)[x][1] / std::max(1.0F, level[1]);
      least[run.region] = std::min(least[run.region], mean);
      most[run.region] = std::max(most[run.region], mean);
      for (int c = 0; c < 3; ++c) {
        const double own = kStructure * level[c];
        const double variance = survey.noise.variance(level[c]) / averaged + own * own;
        chi2[run.region] += off[c] * off[c] / variance;
      }
    }
  }
  std::vector<char> kept(regions.areas.size(), 0);
  for (std::size_t k = 0; k < kept.size(); ++k) {
    const bool level = chi2[k] <= kLevelChi2 * regions.areas[k] && most[k] - least[k] <= kSlope;
    kept[k] = regions.areas[k] >= kLeastOpening && level ? 1 : 0;
  }
  cv::Mat level = cv::Mat::zeros(openings.size(), CV_8U);
  paint(regions, kept, 255, level);
  return level;
}

// Whether the backdrop beside the specimen is the survey's within the error of its continuation. A
// cloth that moves with the specimen is off by more, and says nothing of what lies behind.
bool is_the_surveys(const cv::Mat& difference, const cv::Mat& backdrop, const cv::Mat& known) {
  std::vector<float> off;
  for (int y = 0; y < known.rows; ++y) {
    for (int x = 0; x < known.cols; ++x) {
      if (known.at<uchar>(y, x) == 0) continue;
      const cv::Vec3f& d = difference.at<cv::Vec3f>(y, x);
      const cv::Vec3f& level = backdrop.at<cv::Vec3f>(y, x);
      off.push_back(std::abs(d[0] + d[1] + d[2]) / std::max(1.0F, level[0] + level[1] + level[2]));
    }
  }
  return median_in_place(off) <= kForeign;
}

}  // namespace

void correct_backdrop(const cv::Mat& foreground, const cv::Mat& binary_mask,
                      const SurveyResult& survey, BlockContrast& blocks) {
  const int side = blocks.side;
  const cv::Mat difference = blocks.mean - blocks.backdrop;
  cv::Mat known = any_in_blocks(binary_mask, side);
  const int reach = odd_blocks(2.0 * kBeside_px, side, 3);
  cv::dilate(known, known, cv::getStructuringElement(cv::MORPH_RECT, {reach, reach}));
  known = (known == 0) & (blocks.clear);
  known |= level_openings(openings_of(foreground, binary_mask, side), difference, survey, blocks);
  if (cv::countNonZero(known) == 0) return;
  if (!is_the_surveys(difference, blocks.backdrop, known)) return;
  cv::Mat on;
  known.convertTo(on, CV_32F, 1.0 / 255.0);
  const cv::Mat smooth = mean_where(difference, on, odd_blocks(kSmooth_px, side, 3));
  blocks.backdrop += fill_smoothly(smooth, known);
  blocks.backdrop_lab = to_lab(blocks.backdrop, survey.full_scale);
}

}  // namespace trunnion::mask
