// What a preview of a frame shows, in a form small enough to keep thousands: brightness and fine
// detail on coarse grids, row by row.
#pragma once

#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

namespace trunnion {

inline constexpr int kGreyWidth = 48;
inline constexpr int kGreyHeight = 32;
inline constexpr int kFineWidth = 120;
inline constexpr int kFineHeight = 80;

struct PreviewGrids {
  std::vector<float> grey;    // mean of a cell, 0 to 1; empty: no preview
  std::vector<float> detail;  // mean square of the Laplacian in a cell, at the preview's own size
  std::vector<std::uint16_t> fine;  // kFineWidth x kFineHeight, as grey, 0 to 65535
};

// `preview`: CV_8U, one channel.
PreviewGrids grids_of(const cv::Mat& preview);

}  // namespace trunnion
