#include "stages/mask_gaps.h"

#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "stages/mask_values.h"

namespace trunnion {
namespace {

// Of three degrees of freedom: 0.3 % of backdrop pixels lie beyond (tables of the distribution).
constexpr float kLikeChi2 = 14.0F;
constexpr double kGapChi2 = 7.0;      // mean over a gap; 3 is noise, its mixed rim adds to it
constexpr double kSmoothChi2 = 20.0;  // the same of means of 3 x 3, with the backdrop's own error
constexpr int kLeastGap = 3;          // px; smaller ones count only next to the outline
constexpr float kColoured = 16.5F;    // chroma from which colour tells more than brightness
constexpr int kLeastShadow = 20;      // px; a glint may come near the backdrop's colour

// Differences from the backdrop over the noise within `box`, a row at a time: all of them would
// take twelve bytes a pixel.
class Difference {
 public:
  Difference(const cv::Mat& image, const cv::Rect& box, const cv::Mat& hard,
             const PixelBackdrop& backdrop, const BlockLook& look)
      : image_(image), box_(box), hard_(hard), backdrop_(backdrop), look_(look) {}

  // 0 where `hard` is not or the block is solid.
  void row(int y, Vec3* z) const {
    if (image_.depth() == CV_16U) {
      row_of<std::uint16_t>(y, z);
    } else {
      row_of<std::uint8_t>(y, z);
    }
  }
  // Which pixels are like the backdrop, CV_8U.
  [[nodiscard]] cv::Mat like() const {
    cv::Mat result(box_.size(), CV_8U);
    std::vector<Vec3> z(static_cast<std::size_t>(box_.width));
    for (int y = 0; y < box_.height; ++y) {
      row(y, z.data());
      auto* like = result.ptr<std::uint8_t>(y);
      for (int x = 0; x < box_.width; ++x) {
        const Vec3& here = z[static_cast<std::size_t>(x)];
        like[x] = looked_at(x, y) && here.dot(here) < kLikeChi2 ? 255 : 0;
      }
    }
    return result;
  }

 private:
  [[nodiscard]] bool looked_at(int x, int y) const {
    return hard_.ptr<std::uint8_t>(box_.y + y)[box_.x + x] != 0 &&
           look_.state.ptr<std::uint8_t>((box_.y + y) / look_.side)[(box_.x + x) / look_.side] !=
               kSolid;
  }
  template <typename T>
  void row_of(int y, Vec3* z) const {
    const int channels = image_.channels();
    const T* row = image_.ptr<T>(box_.y + y) + box_.x * channels;
    for (int x = 0; x < box_.width; ++x) {
      z[x] = Vec3(0, 0, 0);
      if (!looked_at(x, y)) continue;
      const Vec3 behind = backdrop_.at(box_.x + x, box_.y + y);
      const Vec3 away = value_of(row + x * channels, channels) - behind;
      for (int c = 0; c < 3; ++c) z[x][c] = away[c] / std::sqrt(backdrop_.variance(behind[c]));
    }
  }

  const cv::Mat& image_;
  cv::Rect box_;
  const cv::Mat& hard_;
  const PixelBackdrop& backdrop_;
  const BlockLook& look_;
};

struct Gap {
  int area = 0;
  int wide = 0;  // pixels whose 3 x 3 neighbours all belong to gaps
  double chi2 = 0;
  double smooth_chi2 = 0;
};

// Which labels of `labels` are gaps.
std::vector<char> judge_gaps(const Difference& difference, const cv::Mat& like,
                             const cv::Mat& labels, int count) {
  constexpr int kBandRows = 64;
  std::vector<Gap> gaps(static_cast<std::size_t>(count));
  cv::Mat wide;
  cv::erode(like, wide, cv::Mat());
  cv::Mat smooth;
  for (int first = 0; first < labels.rows; first += kBandRows) {
    const int last = std::min(labels.rows, first + kBandRows);
    if (cv::countNonZero(like.rowRange(first, last)) == 0) continue;
    const int top = std::max(0, first - 1);
    cv::Mat band(std::min(labels.rows, last + 1) - top, labels.cols, CV_32FC3);
    for (int y = 0; y < band.rows; ++y) difference.row(top + y, band.ptr<Vec3>(y));
    cv::blur(band, smooth, {3, 3});
    for (int y = first; y < last; ++y) {
      const auto* label = labels.ptr<int>(y);
      const auto* z = band.ptr<Vec3>(y - top);
      const auto* mean = smooth.ptr<Vec3>(y - top);
      const auto* inside = wide.ptr<std::uint8_t>(y);
      for (int x = 0; x < labels.cols; ++x) {
        if (label[x] == 0) continue;
        Gap& gap = gaps[static_cast<std::size_t>(label[x])];
        ++gap.area;
        gap.chi2 += static_cast<double>(z[x].dot(z[x]));
        if (inside[x] == 0) continue;
        ++gap.wide;
        gap.smooth_chi2 += 9.0 * static_cast<double>(mean[x].dot(mean[x]));
      }
    }
  }
  std::vector<char> open(gaps.size(), 0);
  for (std::size_t k = 1; k < gaps.size(); ++k) {
    const Gap& gap = gaps[k];
    const bool noise = gap.chi2 <= kGapChi2 * gap.area;
    const bool level = gap.smooth_chi2 <= kSmoothChi2 * gap.wide;
    open[k] = gap.area >= kLeastGap && noise && level ? 1 : 0;
  }
  return open;
}

// What does not stand out before a coloured backdrop is the backdrop, lit or in shadow: a dark
// cavity would stand out by its lack of colour.
void open_shadows(const cv::Mat& out, const BlockLook& look, const cv::Rect& box, cv::Mat& region) {
  cv::Mat shadow = cv::Mat::zeros(box.size(), CV_8U);
  for (int y = 0; y < box.height; ++y) {
    const auto* lab = look.backdrop_lab.ptr<Vec3>((box.y + y) / look.side);
    const auto* on = region.ptr<std::uint8_t>(y);
    const auto* stands = out.ptr<std::uint8_t>(box.y + y) + box.x;
    auto* to = shadow.ptr<std::uint8_t>(y);
    for (int x = 0; x < box.width; ++x) {
      if (on[x] == 0 || stands[x] != 0) continue;
      const Vec3& behind = lab[(box.x + x) / look.side];
      to[x] = std::hypot(behind[1], behind[2]) >= kColoured ? 255 : 0;
    }
  }
  cv::Mat labels;
  cv::Mat stats;
  cv::Mat centroids;
  cv::connectedComponentsWithStats(shadow, labels, stats, centroids, 4, CV_32S);
  for (int y = 0; y < box.height; ++y) {
    for (int x = 0; x < box.width; ++x) {
      const int label = labels.at<int>(y, x);
      if (label != 0 && stats.at<int>(label, cv::CC_STAT_AREA) >= kLeastShadow) {
        region.at<std::uint8_t>(y, x) = 0;
      }
    }
  }
}

void fill_holes(cv::Mat& region) {
  std::vector<std::vector<cv::Point>> outlines;
  cv::findContours(region, outlines, cv::RETR_EXTERNAL, cv::CHAIN_APPROX_NONE);
  cv::drawContours(region, outlines, -1, cv::Scalar(255), cv::FILLED);
}

}  // namespace

void open_gaps(const cv::Mat& image, const cv::Mat& out, const cv::Rect& box, const BlockLook& look,
               const SurveyResult& survey, bool keep_holes, cv::Mat& hard) {
  if (box.empty()) return;
  const PixelBackdrop backdrop(look, survey);
  const Difference difference(image, box, hard, backdrop, look);
  const cv::Mat like = difference.like();
  cv::Mat labels;
  const int count = cv::connectedComponents(like, labels, 4, CV_32S);
  const std::vector<char> open = judge_gaps(difference, like, labels, count);
  cv::Mat region = hard(box);
  for (int y = 0; y < box.height; ++y) {
    const auto* label = labels.ptr<int>(y);
    auto* kept = region.ptr<std::uint8_t>(y);
    for (int x = 0; x < box.width; ++x) {
      if (open[static_cast<std::size_t>(label[x])] != 0) kept[x] = 0;
    }
  }
  // Averaging over 3 x 3 has carried the specimen's contrast a pixel outwards.
  cv::Mat safe;
  cv::erode(region, safe, cv::getStructuringElement(cv::MORPH_RECT, {5, 5}), cv::Point(-1, -1), 1,
            cv::BORDER_CONSTANT, cv::Scalar(255));
  region.setTo(0, like & ~safe);
  open_shadows(out, look, box, region);
  if (!keep_holes) fill_holes(region);
}

}  // namespace trunnion
