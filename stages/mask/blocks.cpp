#include "stages/mask/blocks.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/contrast.h"
#include "core/median.h"

namespace trunnion::mask {
namespace {

constexpr float kEdgeSlack = 0.6F;    // blocks by which a backdrop's own edge may seem to move
constexpr float kNoiseSigmas = 4.5F;  // some 7 in a million by chance
constexpr float kPixelsAveraged =
    2.0F;                             // by how much averaging 3 x 3 px lowers the noise, at least
constexpr double kMeasurable = 0.10;  // of full scale; darker backdrops don't show exposure
constexpr int kHomeShare = 64;        // of 255: elsewhere the specimen was seldom seen

// Ratio of this image's exposure to the set's, per channel, from what is surely backdrop.
cv::Scalar exposure_gain(const cv::Mat& mean, const SurveyResult& survey) {
  cv::Scalar gain(1, 1, 1);
  for (int c = 0; c < 3; ++c) {
    std::vector<float> ratios;
    for (int y = 0; y < mean.rows; ++y) {
      for (int x = 0; x < mean.cols; ++x) {
        const float level = survey.backdrop.ptr<cv::Vec3f>(y)[x][c];
        if (level < kMeasurable * survey.full_scale || survey.backdrop_seen.at<uchar>(y, x) == 0 ||
            survey.occupied.at<uchar>(y, x) > kHomeShare) {
          continue;
        }
        ratios.push_back(mean.ptr<cv::Vec3f>(y)[x][c] / level);
      }
    }
    if (ratios.size() < 50) continue;
    gain[c] = std::clamp(median_in_place(ratios), 0.25F, 4.0F);
  }
  return gain;
}

// Low threshold of each block: the set's, the noise's, and slack along the backdrop's own edges.
cv::Mat thresholds(const BlockContrast& blocks, const cv::Mat& noise, const SurveyResult& survey) {
  cv::Mat high;
  cv::Mat low;
  cv::dilate(blocks.backdrop_lab, high, cv::Mat());
  cv::erode(blocks.backdrop_lab, low, cv::Mat());
  const cv::Mat steps = high - low;
  cv::Mat result(blocks.backdrop.size(), CV_32FC1);
  for (int y = 0; y < result.rows; ++y) {
    for (int x = 0; x < result.cols; ++x) {
      const auto step = static_cast<float>(cv::norm(steps.ptr<cv::Vec3f>(y)[x]));
      result.at<float>(y, x) = std::max(static_cast<float>(survey.separation.low),
                                        kNoiseSigmas / kPixelsAveraged * noise.at<float>(y, x)) +
                               0.5F * kEdgeSlack * step;
    }
  }
  return result;
}

// Contrast of the backdrop with one channel replaced against itself.
cv::Mat contrast_by_channel(const BlockContrast& blocks, const cv::Mat& values, int channel,
                            double full_scale) {
  cv::Mat changed = blocks.backdrop.clone();
  const int from_to[] = {channel, channel};
  cv::mixChannels(&values, 1, &changed, 1, from_to, 1);
  return contrast(to_lab(changed, full_scale), blocks.backdrop_lab);
}

// Contrast of a block's extremes, channel by channel.
struct Bounds {
  cv::Mat most2;  // CV_32FC1: square of the contrast, from above
  cv::Mat least;  // CV_32FC1: of the contrast in the best channel, from below
};

Bounds bound_contrast(const BlockContrast& blocks, const BlockValues& values, double full_scale) {
  const cv::Size size = blocks.backdrop.size();
  Bounds bounds{cv::Mat::zeros(size, CV_32FC1), cv::Mat::zeros(size, CV_32FC1)};
  for (int c = 0; c < 3; ++c) {
    const cv::Mat of_most = contrast_by_channel(blocks, values.most, c, full_scale);
    const cv::Mat of_least = contrast_by_channel(blocks, values.least, c, full_scale);
    for (int y = 0; y < size.height; ++y) {
      const auto* behind = blocks.backdrop.ptr<cv::Vec3f>(y);
      const auto* least = values.least.ptr<cv::Vec3f>(y);
      const auto* most = values.most.ptr<cv::Vec3f>(y);
      const auto* up = of_most.ptr<float>(y);
      const auto* down = of_least.ptr<float>(y);
      auto* most2 = bounds.most2.ptr<float>(y);
      auto* apart = bounds.least.ptr<float>(y);
      for (int x = 0; x < size.width; ++x) {
        const bool above = least[x][c] >= behind[x][c];
        const bool below = most[x][c] <= behind[x][c];
        const float further = above ? up[x] : below ? down[x] : std::max(up[x], down[x]);
        const float nearer = above ? down[x] : below ? up[x] : 0.0F;
        most2[x] += further * further;
        apart[x] = std::max(apart[x], nearer);
      }
    }
  }
  return bounds;
}

}  // namespace

BlockContrast contrast_of_blocks(const cv::Mat& image, const SurveyResult& survey,
                                 const ImageBackdrop& own) {
  const BlockValues values = block_values(image, survey.scale);
  BlockContrast blocks;
  blocks.side = survey.scale;
  blocks.mean = values.mean;
  blocks.backdrop = own.value.empty()
                        ? cv::Mat(survey.backdrop.mul(exposure_gain(values.mean, survey)))
                        : own.value;
  blocks.backdrop_lab = to_lab(blocks.backdrop, survey.full_scale);
  const cv::Mat noise =
      contrast_noise(blocks.backdrop, blocks.backdrop_lab, survey.full_scale, survey.noise);
  blocks.low = thresholds(blocks, noise, survey);
  if (!own.least.empty()) blocks.low = cv::max(blocks.low, own.least);
  cv::Mat averaged = values.mean;
  // Blocks of one pixel are averaged as single pixels are, see standing_out.
  if (blocks.side == 1) cv::blur(averaged, averaged, {3, 3});
  const cv::Mat mean = contrast(to_lab(averaged, survey.full_scale), blocks.backdrop_lab);
  blocks.typical = mean;
  blocks.state = cv::Mat(mean.size(), CV_8U);
  if (blocks.side == 1) {
    blocks.strongest = mean;
    blocks.state.setTo(kMixed);
    blocks.clear = mean < blocks.low;
    return blocks;
  }
  const Bounds bounds = bound_contrast(blocks, values, survey.full_scale);
  cv::sqrt(bounds.most2, blocks.strongest);
  // The extremes of many pixels are noise's own: within its reach a block is clear unless its mean
  // says otherwise.
  const cv::Mat darkest = contrast(to_lab(values.least, survey.full_scale), blocks.backdrop_lab);
  const cv::Mat brightest = contrast(to_lab(values.most, survey.full_scale), blocks.backdrop_lab);
  for (int y = 0; y < mean.rows; ++y) {
    for (int x = 0; x < mean.cols; ++x) {
      const float low = blocks.low.at<float>(y, x);
      BlockState state = kMixed;
      const float reach = std::max(low, kNoiseSigmas * noise.at<float>(y, x));
      const float strongest = blocks.strongest.at<float>(y, x);
      if (strongest < low || (strongest < reach && mean.at<float>(y, x) < 0.5F * low)) {
        state = kClear;
      }
      // A dimmed block differs in every channel and yet lies on the ray of shadow, so its corners
      // must stand out as well.
      if (bounds.least.at<float>(y, x) >= low && mean.at<float>(y, x) >= 1.5F * low &&
          darkest.at<float>(y, x) >= low && brightest.at<float>(y, x) >= low) {
        state = kSolid;
      }
      blocks.state.at<uchar>(y, x) = state;
    }
  }
  blocks.clear = blocks.state == kClear;
  return blocks;
}

}  // namespace trunnion::mask
