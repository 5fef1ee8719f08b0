#include "stages/survey/empty.h"

#include <fmt/format.h>

#include <algorithm>
#include <opencv2/imgproc.hpp>

#include "core/blocks.h"
#include "core/contrast.h"
#include "core/fill_smoothly.h"
#include "stages/survey/stack.h"

namespace trunnion::survey {
namespace {

constexpr double kSpeckSigmas = 4.5;  // of the noise: some 7 in a million by chance
constexpr double kEmptyPixelsAveraged =
    2.0;                                // by how much averaging 3 x 3 blocks lowers it, at least
constexpr double kSpeckContrast = 1.0;  // at least; masks begin at 1.5
constexpr double kSpeckShare = 0.04;    // of the image: larger is no speck (common practice, no
                                        // source)
constexpr int kSpeckRim = 2;            // blocks around a speck that its soft rim may darken
constexpr double kDiffers = 0.05;       // of the backdrop: from here on it is another backdrop
                                        // (common practice, no source)

cv::Mat contrast_to(const cv::Mat& value, const cv::Mat& backdrop) {
  return contrast(to_lab(value, 65535.0), to_lab(backdrop, 65535.0));
}

// Small spots of `empty` that the stations have not seen.
cv::Mat own_specks(const cv::Mat& empty, const StackBackdrop& measured, double noise) {
  cv::Mat smooth;
  cv::blur(empty, smooth, {3, 3});  // a block's noise alone makes no speck
  const double least = std::max(kSpeckContrast, kSpeckSigmas * noise / kEmptyPixelsAveraged);
  const cv::Mat differs = (contrast_to(smooth, measured.value) > least) & measured.seen;
  cv::Mat labels;
  cv::Mat stats;
  cv::Mat centroids;
  const int count = cv::connectedComponentsWithStats(differs, labels, stats, centroids, 8, CV_32S);
  const double most = std::max(8.0, kSpeckShare * std::max(empty.cols, empty.rows));
  cv::Mat specks = cv::Mat::zeros(empty.size(), CV_8U);
  for (int k = 1; k < count; ++k) {
    const int width = stats.at<int>(k, cv::CC_STAT_WIDTH);
    const int height = stats.at<int>(k, cv::CC_STAT_HEIGHT);
    if (std::max(width, height) <= most) specks.setTo(255, labels == k);
  }
  constexpr int kSide = 2 * kSpeckRim + 1;
  cv::dilate(specks, specks, cv::getStructuringElement(cv::MORPH_ELLIPSE, {kSide, kSide}));
  return specks;
}

}  // namespace

cv::Mat backdrop_from_empty(const cv::Mat& empty_stage, const StackBackdrop& measured,
                            const SetSpecks& specks, int scale, double noise) {
  const double full_scale = empty_stage.depth() == CV_16U ? 65535.0 : 255.0;
  cv::Mat value;
  reduce(empty_stage, scale, full_scale).mean.convertTo(value, CV_32F);
  // What is a speck of the set and stays in its images has to stay here too.
  const cv::Mat unknown = (own_specks(value, measured, noise) & ~specks.all) | specks.repaired;
  if (cv::countNonZero(unknown) > 0) fill_smoothly(value, ~unknown).copyTo(value, unknown);
  return value;
}

Findings disagreement(const cv::Mat& empty, const StackBackdrop& measured, double low) {
  const double seen = cv::countNonZero(measured.seen);
  if (seen == 0) return {};
  cv::Mat smooth;
  cv::blur(empty, smooth, {3, 3});
  const double differs =
      cv::countNonZero((contrast_to(smooth, measured.value) >= low) & measured.seen) / seen;
  if (differs < kDiffers) return {};
  return {{Severity::doubt, "survey", "",
           fmt::format("{:.0f} % of the backdrop that the images show differs from the empty-stage "
                       "image; the masks will hold backdrop there",
                       100.0 * differs),
           "shoot the empty stage with the light, exposure and camera position of the set, or take "
           "[backdrop] empty out of specimen.toml"}};
}

}  // namespace trunnion::survey
