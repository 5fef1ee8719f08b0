// Refine, first part: features of one image, extracted while the image is in memory anyway.
//
// Scale-invariant blobs with gradient-histogram descriptors (D. G. Lowe, "Distinctive image
// features from scale-invariant keypoints", IJCV 60(2), 2004; OpenCV's implementation), compared
// by the Hellinger kernel (Arandjelovic and Zisserman, "Three things everyone should know to
// improve object retrieval", CVPR 2012). Large images are reduced to a pyramid level of a
// few megapixels: blob positions at that level are good to a tenth of its pixel, and the work stays
// a small part of the run.
//
// Only features well inside the specimen count: the backdrop does not turn with it, and its
// outline is another curve of the surface in every view.
#pragma once

#include <array>
#include <cstdint>
#include <opencv2/core.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "config/settings.h"

namespace trunnion::refine {

constexpr int kDescriptorSize = 128;

struct Feature {
  float x_px = 0;  // in the image that was handed in, (0, 0) at the centre of the top-left pixel
  float y_px = 0;
  float scale_px = 0;     // diameter of the blob
  float orientation = 0;  // rad, clockwise in the image
  float response = 0;     // contrast of the blob
  std::uint32_t rgb = 0;  // 0x00RRGGBB, for coloured tie points
  std::array<std::uint8_t, kDescriptorSize> descriptor{};
};

struct ImageFeatures {
  int width_px = 0;
  int height_px = 0;
  double level_scale = 1;       // pixels of the image per pixel of the level that was searched
  std::vector<Feature> points;  // strongest first
  // CV_8U: grey of the part of the level that holds the specimen; lowest bit 1 on the specimen, 0
  // beside it. Empty: not kept.
  cv::Mat level;
  cv::Point2d level_first_px;           // image position of its first pixel
  cv::Point2d level_step_px{1.0, 1.0};  // image pixels per level pixel

  [[nodiscard]] cv::Point2d to_level(double x_px, double y_px) const {
    return {(x_px - level_first_px.x) / level_step_px.x,
            (y_px - level_first_px.y) / level_step_px.y};
  }
  [[nodiscard]] cv::Point2d from_level(const cv::Point2d& at) const {
    return {at.x * level_step_px.x + level_first_px.x, at.y * level_step_px.y + level_first_px.y};
  }
};

// `image`: 8 or 16 bit, 1, 3 or 4 channels, as written to the set. `mask_coverage`: CV_8U of the
// same size, 255 inside the specimen; empty where no mask was made. Deterministic.
ImageFeatures extract_features(const cv::Mat& image, const cv::Mat& mask_coverage,
                               const RefineSettings& settings);

// For the journal's cache. from_bytes throws a data error where the bytes are not features.
std::string features_to_bytes(const ImageFeatures& features);
ImageFeatures features_from_bytes(std::string_view bytes);

}  // namespace trunnion::refine
