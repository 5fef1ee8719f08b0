// TIFF and BigTIFF through libtiff: strips or tiles, samples interleaved or in planes of their own,
// either byte order, any coding that libtiff reads. For image_io.cpp only; images here are as
// stored, not yet upright.
#pragma once

#include <filesystem>
#include <opencv2/core.hpp>

#include "core/image_io.h"

namespace trunnion {

// The first page's header; sizes as stored.
ImageInfo probe_tiff(const std::filesystem::path& file, const ImageLimits& limits);

// Decodes what probe_tiff described. Throws a data error where anything is missing or damaged. With
// `first_missing`, interleaved strips may break off: the last row that was read goes on to the end,
// and the first row that is missing is returned there (the height where none is).
cv::Mat read_tiff(const std::filesystem::path& file, const ImageInfo& info, int* first_missing);

// Classic TIFF, interleaved strips of 64 rows.
void write_tiff(const std::filesystem::path& file, const cv::Mat& image, bool compress);

}  // namespace trunnion
