// Decodes the pixels of an open TIFF whose header was found right. For core/image_tiff.cpp only.
#pragma once

#include <filesystem>
#include <opencv2/core.hpp>

#include "core/image_tiff_file.h"

namespace trunnion {

// As read_tiff, before grey with alpha becomes four channels: all samples of each pixel are written
// or an error is thrown.
cv::Mat decode_tiff(const std::filesystem::path& file, const TiffFile& tiff,
                    const TiffLayout& layout, int* first_missing);

}  // namespace trunnion
