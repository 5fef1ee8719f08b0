// JPEG through libjpeg. For image_io.cpp only; images here are as stored, not yet upright.
#pragma once

#include <filesystem>
#include <opencv2/core.hpp>

#include "core/image_io.h"

namespace trunnion {

ImageInfo probe_jpeg(const std::filesystem::path& file, const ImageLimits& limits);

// A decoder of JPEG goes on over damage with grey or shifted blocks and only warns: each warning is
// a data error here.
cv::Mat read_jpeg(const std::filesystem::path& file, const ImageInfo& info);

// 8 bit, 1 or 3 channels.
void write_jpeg(const std::filesystem::path& file, const cv::Mat& image,
                const WriteOptions& options);

}  // namespace trunnion
