// The coarse step of the mask stage: which blocks are backdrop, which are completely specimen, and
// which must be tested pixel by pixel.
#pragma once

#include <cstdint>
#include <opencv2/core.hpp>

#include "core/blocks.h"
#include "core/survey_result.h"

namespace trunnion::mask {

enum BlockState : std::uint8_t { kClear = 0, kMixed = 1, kSolid = 2 };

struct BlockContrast {
  int side = 1;
  cv::Mat mean;          // CV_32FC3, sensor values, of the image's blocks
  cv::Mat backdrop;      // CV_32FC3, sensor values, at this image's exposure
  cv::Mat backdrop_lab;  // CV_32FC3
  cv::Mat low;           // CV_32FC1, threshold of each block
  cv::Mat typical;       // CV_32FC1, contrast of the block's mean
  cv::Mat strongest;     // CV_32FC1, upper bound of the contrast within the block
  cv::Mat state;         // CV_8U, BlockState
  cv::Mat clear;         // CV_8U, 255 where nothing stands out
};

// What one image shows of its backdrop beyond the survey.
struct ImageBackdrop {
  cv::Mat value;  // CV_32FC3, sensor values, blocks
  cv::Mat least;  // CV_32FC1, blocks: contrast below which nothing stands out
};

// `own`: in the place of the survey's backdrop at the image's exposure; empty: none.
BlockContrast contrast_of_blocks(const cv::Mat& image, const SurveyResult& survey,
                                 const ImageBackdrop& own = {});

}  // namespace trunnion::mask
