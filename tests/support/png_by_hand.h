// PNG files put together by hand from the standard (W3C PNG, third edition), so that readers are
// tested against more than what our own writer makes.
#pragma once

#include <opencv2/core/types.hpp>
#include <string>

namespace trunnion::test {

// Length, type, data and checksum (5.3).
std::string png_chunk(const std::string& type, const std::string& data);

// `colour`: 0 grey, 2 RGB, 3 palette, 4 grey with alpha, 6 RGB with alpha. `rows`: each behind its
// filter type 0. `extra`: chunks in front of the pixels.
std::string png_by_hand(cv::Size size, int bits, int colour, const std::string& rows,
                        const std::string& extra = {});

}  // namespace trunnion::test
