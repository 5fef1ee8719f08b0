// PNG through libpng. For image_io.cpp only; images here are as stored, not yet upright.
#pragma once

#include <filesystem>
#include <opencv2/core.hpp>

#include "core/image_io.h"

namespace trunnion {

ImageInfo probe_png(const std::filesystem::path& file, const ImageLimits& limits);

// Throws a data error where anything of the pixels is missing or fails its checksum.
cv::Mat read_png(const std::filesystem::path& file, const ImageInfo& info);

void write_png(const std::filesystem::path& file, const cv::Mat& image, bool compress);

}  // namespace trunnion
