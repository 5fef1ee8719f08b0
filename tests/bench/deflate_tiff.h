// TIFF with deflate, as many programs write it and trunnion does not: input of the measurements and
// the reference codec of the floor.
#pragma once

#include <filesystem>
#include <opencv2/core.hpp>

namespace trunnion::bench {

// CV_8UC3 or CV_16UC3 (BGR); horizontal predictor; libtiff's own level by default.
void write_deflate_tiff(const std::filesystem::path& file, const cv::Mat& image, int level = 6);

}  // namespace trunnion::bench
