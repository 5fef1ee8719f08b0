// What the formats behind image_io.h share: the sentences of their errors and what they refuse. For
// core/image_*.cpp only.
#pragma once

#include <cstdint>
#include <filesystem>
#include <opencv2/core.hpp>
#include <string>

#include "core/error.h"
#include "core/image_io.h"

namespace trunnion {

inline constexpr const char* kReencode =
    "export it again as TIFF, PNG or JPEG, grey or RGB, 8 or 16 bits per channel";

// "FILE: WHAT", of an image that cannot be used.
Error wrong_image(const std::filesystem::path& file, const std::string& what);

// Of an image that could not be written.
Error not_written(const std::filesystem::path& file);

// Throw `wrong_image` where the header claims what is not taken. `colours` is 1 or 3, `samples`
// counts alpha too.
void check_samples(const std::filesystem::path& file, int colours, int samples, int bits);
void check_size(const std::filesystem::path& file, std::int64_t width, std::int64_t height,
                const ImageLimits& limits);

// BGR to RGB and back in these rows, in place; alpha stays. The library's conversion would copy.
void swap_red_and_blue(cv::Mat& rows);

}  // namespace trunnion
