#include "stages/mask/gaps.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/contrast.h"
#include "core/runs.h"
#include "core/vector_code.h"
#include "stages/mask/noise_difference.h"
#include "stages/mask/values.h"

namespace trunnion::mask {
namespace {

// Of three degrees of freedom: 0.3 % of backdrop pixels lie beyond (tables of the distribution).
constexpr float kLikeChi2 = 14.0F;
constexpr double kGapChi2 = 7.0;      // mean over a gap; 3 is noise, its mixed rim adds to it
constexpr double kSmoothChi2 = 20.0;  // the same of means of 3 x 3, with the backdrop's own error
constexpr int kLeastGap = 3;          // px; smaller ones count only next to the outline
constexpr int kLeastShadow = 20;      // px; a glint may come near the backdrop's colour

TRUNNION_VECTOR_CODE
void square_lengths(const float* __restrict z, std::size_t count, float* __restrict chi2) {
  for (std::size_t x = 0; x < count; ++x) {
    chi2[x] = z[3 * x] * z[3 * x] + z[3 * x + 1] * z[3 * x + 1] + z[3 * x + 2] * z[3 * x + 2];
  }
}

// Which pixels of `region` in blocks that aren't solid are like the backdrop, CV_8U.
cv::Mat like_backdrop(const cv::Mat& region, const cv::Rect& box, const BlockContrast& blocks,
                      NoiseDifference& difference) {
  cv::Mat result = cv::Mat::zeros(box.size(), CV_8U);
  std::vector<float> z(3 * static_cast<std::size_t>(box.width));
  std::vector<float> chi2(static_cast<std::size_t>(box.width));
  for (int y = 0; y < box.height; ++y) {
    const auto* state = blocks.state.ptr<std::uint8_t>((box.y + y) / blocks.side);
    const auto solid = [&](int x) { return state[(box.x + x) / blocks.side] == kSolid; };
    const auto* on = region.ptr<std::uint8_t>(y);
    auto* like = result.ptr<std::uint8_t>(y);
    int end = 0;
    for (int begin = 0; begin < box.width; begin = end) {
      // As far as this block and those of its kind reach.
      const auto next_block = [&](int x) {
        return std::min(box.width, ((box.x + x) / blocks.side + 1) * blocks.side - box.x);
      };
      const bool skipped = solid(begin);
      end = next_block(begin);
      while (end < box.width && solid(end) == skipped) end = next_block(end);
      if (skipped || std::memchr(on + begin, 255, static_cast<std::size_t>(end - begin)) == nullptr)
        continue;
      const auto count = static_cast<std::size_t>(end - begin);
      difference.row(y, begin, end, z.data());
      square_lengths(z.data(), count, chi2.data());
      for (std::size_t k = 0; k < count; ++k) {
        like[static_cast<std::size_t>(begin) + k] =
            on[static_cast<std::size_t>(begin) + k] != 0 && chi2[k] < kLikeChi2 ? 255 : 0;
      }
    }
  }
  return result;
}

// Rows of differences about one row, for means of 3 x 3. Only where runs of that row and its
// neighbours lie.
class DifferenceRows {
 public:
  DifferenceRows(const cv::Mat& like, const Regions& regions, NoiseDifference& difference)
      : width_(like.cols), difference_(difference), hulls_(static_cast<std::size_t>(like.rows)) {
    for (const Run& run : regions.runs) {
      for (int y = std::max(0, run.y - 1); y <= std::min(like.rows - 1, run.y + 1); ++y) {
        cv::Range& hull = hulls_[static_cast<std::size_t>(y)];
        const cv::Range around(std::max(0, run.begin - 1), std::min(width_, run.end + 1));
        hull = hull.empty()
                   ? around
                   : cv::Range(std::min(hull.start, around.start), std::max(hull.end, around.end));
      }
    }
    for (std::vector<float>& row : rows_) row.resize(3 * static_cast<std::size_t>(width_));
  }
  // Three values a pixel, from the box's first column.
  const float* at(int y) {
    const auto slot = static_cast<std::size_t>(y % 3);
    if (which_[slot] != y) {
      which_[slot] = y;
      const cv::Range& hull = hulls_[static_cast<std::size_t>(y)];
      difference_.row(y, hull.start, hull.end, rows_[slot].data() + 3 * hull.start);
    }
    return rows_[slot].data();
  }

 private:
  int width_;
  NoiseDifference& difference_;
  std::vector<cv::Range> hulls_;
  std::array<std::vector<float>, 3> rows_;
  std::array<int, 3> which_ = {-1, -1, -1};
};

struct Gap {
  int wide = 0;  // pixels whose 3 x 3 neighbours all belong to gaps
  double chi2 = 0;
  double smooth_chi2 = 0;
};

double square_length(const float* z) {
  return static_cast<double>(z[0] * z[0] + z[1] * z[1] + z[2] * z[2]);
}

// Which regions of what is like the backdrop are gaps.
std::vector<char> judge_gaps(const cv::Mat& like, const Regions& regions,
                             NoiseDifference& difference) {
  std::vector<Gap> gaps(regions.areas.size());
  cv::Mat wide;
  cv::erode(like, wide, cv::Mat(), cv::Point(-1, -1), 1, cv::BORDER_CONSTANT, cv::Scalar(0));
  DifferenceRows rows(like, regions, difference);
  for (const Run& run : regions.runs) {
    Gap& gap = gaps[run.region];
    const float* here = rows.at(run.y);
    const auto* inside = wide.ptr<std::uint8_t>(run.y);
    for (int x = run.begin; x < run.end; ++x) {
      gap.chi2 += square_length(here + 3 * x);
      if (inside[x] == 0) continue;
      const float* above = rows.at(run.y - 1) + 3 * x;
      const float* below = rows.at(run.y + 1) + 3 * x;
      std::array<float, 3> mean{};
      for (int c = 0; c < 3; ++c) {
        for (const int k : {c - 3, c, c + 3}) {
          mean[static_cast<std::size_t>(c)] += above[k] + here[3 * x + k] + below[k];
        }
        mean[static_cast<std::size_t>(c)] /= 9.0F;
      }
      ++gap.wide;
      gap.smooth_chi2 += 9.0 * square_length(mean.data());
    }
  }
  std::vector<char> open(gaps.size(), 0);
  for (std::size_t k = 0; k < gaps.size(); ++k) {
    const Gap& gap = gaps[k];
    const int area = regions.areas[k];
    const bool noise = gap.chi2 <= kGapChi2 * area;
    const bool level = gap.smooth_chi2 <= kSmoothChi2 * gap.wide;
    open[k] = area >= kLeastGap && noise && level ? 1 : 0;
  }
  return open;
}

// What does not stand out before a coloured backdrop is the backdrop, lit or in shadow: a dark
// cavity would stand out by its lack of colour.
void open_shadows(const cv::Mat& foreground, const BlockContrast& blocks, const cv::Rect& box,
                  cv::Mat& region) {
  cv::Mat shadow = cv::Mat::zeros(box.size(), CV_8U);
  for (int y = 0; y < box.height; ++y) {
    const auto* lab = blocks.backdrop_lab.ptr<Vec3>((box.y + y) / blocks.side);
    const auto* on = region.ptr<std::uint8_t>(y);
    const auto* stands = foreground.ptr<std::uint8_t>(box.y + y) + box.x;
    auto* to = shadow.ptr<std::uint8_t>(y);
    for (int x = 0; x < box.width; ++x) {
      if (on[x] == 0 || stands[x] != 0) continue;
      const Vec3& behind = lab[(box.x + x) / blocks.side];
      to[x] = is_coloured(behind) ? 255 : 0;
    }
  }
  const Regions regions = regions_of(shadow, Neighbours::four);
  std::vector<char> open;
  for (const int area : regions.areas) open.push_back(area >= kLeastShadow ? 1 : 0);
  paint(regions, open, 0, region);
}

void fill_holes(cv::Mat& region) {
  std::vector<std::vector<cv::Point>> outlines;
  cv::findContours(region, outlines, cv::RETR_EXTERNAL, cv::CHAIN_APPROX_NONE);
  cv::drawContours(region, outlines, -1, cv::Scalar(255), cv::FILLED);
}

}  // namespace

void open_gaps(const cv::Mat& image, const cv::Mat& foreground, const cv::Rect& box,
               const BlockContrast& blocks, const SurveyResult& survey, bool keep_holes,
               cv::Mat& binary_mask) {
  if (box.empty()) return;
  cv::Mat region = binary_mask(box);
  NoiseDifference difference(image, box, blocks, survey);
  const cv::Mat like = like_backdrop(region, box, blocks, difference);
  const Regions regions = regions_of(like, Neighbours::four);
  paint(regions, judge_gaps(like, regions, difference), 0, region);
  // Averaging over 3 x 3 has carried the specimen's contrast a pixel outwards.
  cv::Mat safe;
  cv::erode(region, safe, cv::getStructuringElement(cv::MORPH_RECT, {5, 5}), cv::Point(-1, -1), 1,
            cv::BORDER_CONSTANT, cv::Scalar(255));
  region.setTo(0, like & ~safe);
  open_shadows(foreground, blocks, box, region);
  if (!keep_holes) fill_holes(region);
}

}  // namespace trunnion::mask
