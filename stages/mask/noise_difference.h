// How far pixels lie from the backdrop, in units of the noise, row by row: what the passes of the
// mask stage at every pixel of the specimen's box are made of.
#pragma once

#include <array>
#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

#include "core/survey_result.h"
#include "stages/mask/blocks.h"

namespace trunnion::mask {

// Bilinear rows of a block map at full resolution, as at_pixel (values.h) gives them, each
// block row spread once.
class SpreadRows {
 public:
  // `blocks`: CV_32FC3; rows are given for the columns [first, last) of the image.
  SpreadRows(cv::Mat blocks, int side, int first, int last);

  // Two spread block rows, three values a column, and the share of the second at image row `y`.
  struct Pair {
    const float* above = nullptr;
    const float* below = nullptr;
    float share = 0;
  };
  // Valid until the next call. Rows in rising order are spread once.
  Pair at(int y);

 private:
  const float* spread(int j, int keep);

  cv::Mat blocks_;
  int side_;
  int first_;
  std::vector<int> index_;    // of each value in its block row
  std::vector<float> share_;  // of the block to the right
  std::array<std::vector<float>, 2> rows_;
  std::array<int, 2> which_ = {-1, -1};
};

// z = (value - backdrop) / noise in each of three channels, values 0..1 as the file holds them;
// grey images are spread over the channels, alpha is ignored. The noise is that of the backdrop's
// level, interpolated between blocks. Rows in rising order cost least.
class NoiseDifference {
 public:
  // For the columns of `box` of `image`, which must outlive this.
  NoiseDifference(const cv::Mat& image, const cv::Rect& box, const BlockContrast& blocks,
                  const SurveyResult& survey);

  // Writes three values a pixel for the columns [begin, end) of the box; x and y count from its
  // corner.
  void row(int y, int begin, int end, float* z);

 private:
  template <typename T>
  const T* colour_row(int y, int begin, int end, std::vector<T>& spread) const;

  const cv::Mat& image_;
  cv::Rect box_;
  SpreadRows backdrop_;
  SpreadRows inverse_noise_;
  std::vector<std::uint8_t> spread8_;
  std::vector<std::uint16_t> spread16_;
};

}  // namespace trunnion::mask
