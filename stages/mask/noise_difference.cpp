#include "stages/mask/noise_difference.h"

#include <algorithm>
#include <limits>
#include <utility>

#include "core/vector_code.h"

namespace trunnion::mask {
namespace {

TRUNNION_VECTOR_CODE
void spread_row(const float* __restrict from, const int* __restrict index,
                const float* __restrict share, std::size_t count, float* __restrict to) {
  for (std::size_t k = 0; k < count; ++k) {
    const float left = from[index[k]];
    const float right = from[index[k] + 3];
    to[k] = (1 - share[k]) * left + share[k] * right;
  }
}

struct Weighing {
  SpreadRows::Pair backdrop;
  SpreadRows::Pair inverse;
  float scale = 1;  // of the file's values
};

template <typename T>
[[gnu::always_inline]] inline void weigh(const T* __restrict value, const Weighing& how,
                                         std::size_t count, float* __restrict z) {
  const float* __restrict b0 = how.backdrop.above;
  const float* __restrict b1 = how.backdrop.below;
  const float* __restrict n0 = how.inverse.above;
  const float* __restrict n1 = how.inverse.below;
  const float t = how.backdrop.share;
  const float scale = how.scale;
  for (std::size_t k = 0; k < count; ++k) {
    const float behind = (1 - t) * b0[k] + t * b1[k];
    const float inverse = (1 - t) * n0[k] + t * n1[k];
    z[k] = (scale * static_cast<float>(value[k]) - behind) * inverse;
  }
}

TRUNNION_VECTOR_CODE
void weigh_row(const std::uint8_t* value, const Weighing& how, std::size_t count, float* z) {
  weigh(value, how, count, z);
}

TRUNNION_VECTOR_CODE
void weigh_row(const std::uint16_t* value, const Weighing& how, std::size_t count, float* z) {
  weigh(value, how, count, z);
}

cv::Mat backdrop_of(const BlockContrast& blocks, const SurveyResult& survey) {
  cv::Mat values;
  blocks.backdrop.convertTo(values, CV_32F, 1.0 / survey.full_scale);
  return values;
}

cv::Mat inverse_noise_of(const cv::Mat& backdrop, const SurveyResult& survey) {
  const double zero = survey.noise.at_zero / survey.full_scale / survey.full_scale;
  const double slope = survey.noise.per_level / survey.full_scale;
  cv::Mat inverse = backdrop * slope + cv::Scalar::all(zero);
  cv::sqrt(inverse, inverse);
  cv::divide(1.0, inverse, inverse);
  return inverse;
}

}  // namespace

SpreadRows::SpreadRows(cv::Mat blocks, int side, int first, int last)
    : blocks_(std::move(blocks)), side_(side), first_(first) {
  if (side_ == 1) return;
  // The last block's right neighbour is itself; a copy of it keeps the loops plain.
  cv::copyMakeBorder(blocks_, blocks_, 0, 0, 0, 1, cv::BORDER_REPLICATE);
  const float furthest = static_cast<float>(blocks_.cols - 2);
  for (int x = first; x < last; ++x) {
    const float u = std::clamp((static_cast<float>(x) + 0.5F) / static_cast<float>(side) - 0.5F,
                               0.0F, furthest);
    const int i = static_cast<int>(u);
    for (int c = 0; c < 3; ++c) {
      index_.push_back(3 * i + c);
      share_.push_back(u - static_cast<float>(i));
    }
  }
  for (std::vector<float>& row : rows_) row.resize(index_.size());
}

const float* SpreadRows::spread(int j, int keep) {
  for (std::size_t k = 0; k < 2; ++k) {
    if (which_[k] == j) return rows_[k].data();
  }
  const std::size_t k = which_[0] == keep ? 1 : 0;
  spread_row(blocks_.ptr<float>(j), index_.data(), share_.data(), index_.size(), rows_[k].data());
  which_[k] = j;
  return rows_[k].data();
}

SpreadRows::Pair SpreadRows::at(int y) {
  if (side_ == 1) {
    const float* row = blocks_.ptr<float>(y) + 3 * first_;
    return {row, row, 0};
  }
  const float v = std::clamp((static_cast<float>(y) + 0.5F) / static_cast<float>(side_) - 0.5F,
                             0.0F, static_cast<float>(blocks_.rows - 1));
  const int j = static_cast<int>(v);
  const int below = std::min(j + 1, blocks_.rows - 1);
  const float* first = spread(j, below);
  return {first, spread(below, j), v - static_cast<float>(j)};
}

NoiseDifference::NoiseDifference(const cv::Mat& image, const cv::Rect& box,
                                 const BlockContrast& blocks, const SurveyResult& survey)
    : image_(image),
      box_(box),
      backdrop_(backdrop_of(blocks, survey), blocks.side, box.x, box.br().x),
      inverse_noise_(inverse_noise_of(backdrop_of(blocks, survey), survey), blocks.side, box.x,
                     box.br().x) {}

template <typename T>
const T* NoiseDifference::colour_row(int y, int begin, int end, std::vector<T>& spread) const {
  const int channels = image_.channels();
  const T* row = image_.ptr<T>(box_.y + y) + (box_.x + begin) * channels;
  if (channels == 3) return row;
  spread.clear();
  for (int x = begin; x < end; ++x, row += channels) {
    for (int c = 0; c < 3; ++c) spread.push_back(row[channels == 1 ? 0 : c]);
  }
  return spread.data();
}

void NoiseDifference::row(int y, int begin, int end, float* z) {
  Weighing how{backdrop_.at(box_.y + y), inverse_noise_.at(box_.y + y), 1};
  for (SpreadRows::Pair* pair : {&how.backdrop, &how.inverse}) {
    pair->above += 3 * begin;
    pair->below += 3 * begin;
  }
  const auto count = static_cast<std::size_t>(3 * (end - begin));
  if (image_.depth() == CV_16U) {
    how.scale = 1.0F / static_cast<float>(std::numeric_limits<std::uint16_t>::max());
    weigh_row(colour_row(y, begin, end, spread16_), how, count, z);
  } else {
    how.scale = 1.0F / static_cast<float>(std::numeric_limits<std::uint8_t>::max());
    weigh_row(colour_row(y, begin, end, spread8_), how, count, z);
  }
}

}  // namespace trunnion::mask
