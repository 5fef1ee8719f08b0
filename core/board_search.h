// Looks for a checkerboard in a reduced image.
#pragma once

#include "core/board_lattice.h"

namespace trunnion {

// `plain` and `level`: the same 8-bit image, stretched to the full range and freed of uneven light.
// A seed grown as far as the image goes; where that is not the whole board as given, the exact
// detector may know better. Corners are good to a pixel or so.
std::optional<Lattice> find_lattice(const cv::Mat& plain, const cv::Mat& level,
                                    const BoardPattern& pattern);

// `grey` with its longer side no longer than `side_px`.
cv::Mat reduced(const cv::Mat& grey, int side_px);

// Carries points of a reduced image over to the full one, `factor` times as large. Pixel centres
// are at whole numbers, so the reduced image's (0, 0) lies inside the full one.
void enlarge(std::vector<cv::Point2f>& points, double factor);

// Light minus dark squares.
double lattice_contrast(const cv::Mat& image, const Lattice& lattice);

}  // namespace trunnion
