// Undistort: resamples an image and its mask into those of an ideal camera without distortion.
//
// Every pixel of the new image has its exact place in the source by the forward distortion of
// core/camera.h. Along a row the place is evaluated at nodes and interpolated between them, with
// the widest spacing of nodes that keeps the error under 0.001 px; it is then rounded to 1/1024 px.
// Interpolation is separable, in single precision, in one order on every machine:
//   cubic    R. G. Keys, "Cubic convolution interpolation for digital image processing", IEEE
//            ASSP 29(6), 1981, with a = -0.5: exact for polynomials up to the second degree
//   lanczos  sinc windowed by sinc, 8 taps, normalised (C. E. Duchon, J. Appl. Meteor. 18, 1979)
// docs/performance.md and docs/formats.md hold what each loses. Pixel (0, 0) is the centre of the
// top-left pixel in both images.
#pragma once

#include <cstddef>
#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

#include "config/settings.h"
#include "core/camera.h"

namespace trunnion::undistort {

// The camera of the written images: no distortion, the same focal length; size and principal point
// by the settings:
//   same   the size of the source
//   valid  the largest rectangle in which every pixel has a source
//   all    every pixel of the source has a place
// With centre_principal_point the rectangle is the largest (smallest) around the principal point.
Camera undistorted_camera(const Camera& source, const UndistortSettings& settings);

// In the source, px times 2^32.
struct SourcePlace {
  std::int64_t x = 0;
  std::int64_t y = 0;
};

// Where the new image comes from; computed once a camera. 26 megapixels: 6 MB where nodes lie 64 px
// apart, 52 MB before a lens that bends strongly.
struct UndistortMap {
  Camera from;
  Camera to;
  int node_spacing_px = 1;  // a power of two
  bool identity = false;    // nothing below is set
  int nodes_a_row = 0;      // the last at or beyond the row's end
  std::vector<SourcePlace> nodes;
  // Of a row of the new image: neither it nor any row below comes from source rows above this one.
  std::vector<int> first_source_row;

  [[nodiscard]] const SourcePlace* nodes_of(int row) const {
    return nodes.data() + std::ptrdiff_t{row} * nodes_a_row;
  }
};

// From one camera to the new one of the settings, or to any without distortion.
UndistortMap undistort_map(const Camera& source, const UndistortSettings& settings);
UndistortMap undistort_map_to(const Camera& from, const Camera& to);

// 8 or 16 bit, 1, 3 or 4 channels; depth and channels are kept. Pixels without a source are black
// (alpha and mask: 0). Within half a pixel of the border the outermost pixels are repeated. Works
// on all threads.
//
// The image is replaced: in its own memory where the new one is as large, so whoever shares it sees
// the new pixels. The bands of rows that wait meanwhile are as high as rows are moved, and a second
// image where the distortion folds.
void undistort_image(cv::Mat& image, const UndistortMap& map, Interpolation interpolation);
cv::Mat undistort_mask(const cv::Mat& coverage, const UndistortMap& map);

// Position in the source image of a position in the new image and back (px), exact.
Eigen::Vector2d to_source(const UndistortMap& map, const Eigen::Vector2d& new_px);
Eigen::Vector2d from_source(const UndistortMap& map, const Eigen::Vector2d& source_px);

}  // namespace trunnion::undistort
