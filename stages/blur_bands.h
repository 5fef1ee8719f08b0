// Blur bands: zones of the specimen that no slice of a focus series had in focus show as bands of
// blur in the fused image.
//
// Blur takes the finest structure first. At every place inside the mask the contrast at the scale
// of the pixels is measured and compared with what the specimen shows elsewhere:
//   h = v - G(1 px) * v          v: square root of the brightness, so that noise is even
//   A = G(1.5 px) * |h|          local amplitude, taken inside the mask only
//   q = sqrt(A^2 - n^2) / v      contrast without the share of noise n; exposure cancels
// A place is blurred where q stays below a share of the specimen's median q. Smoothness is not
// judged where it proves nothing: in shadows too dark for texture to rise above the noise, in
// clipped highlights, at the outline. Where the optics are softer than the pixels, so that the
// median is hardly above the noise, the image is halved first, again if needed.
//
// A textureless part of a specimen (a polished wing case, glass) looks like a blur band; hence a
// doubt, never a fault. A band seen edge-on along the outline is a few pixels wide and may escape:
// on the demo (3 specimens, black backdrop, bands at 7 depths) bands over 5 % of the specimen or
// more were found in 120 of 120 images, over 3 % in 140 of 148, over 2 % in 156 of 170, and none in
// 36 clean ones; before white 28 of 29, 33 of 36, 38 of 43, none in 9. A specimen blurred
// everywhere alike is for the survey's sharpness to find.
#pragma once

#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "core/finding.h"

namespace trunnion {

struct BlurBandSettings {
  // Of the median contrast: a blur of 1.5 px takes most textures below it, and nothing of a sharp
  // demo specimen is below it over more than a few pixels.
  double max_relative_contrast = 0.15;
  // Of the specimen, of each patch and of all together: less is an accident of texture.
  double min_patch_percent = 0.10;
  double min_area_percent = 0.15;
};

struct BlurBand {
  cv::Rect box_px;               // in the image
  double area_percent = 0;       // of the specimen
  double relative_contrast = 1;  // mean, against the specimen's median
};

struct BlurBandResult {
  std::vector<BlurBand> bands;  // largest first
  double area_percent = 0;      // of all bands
  double judged_percent = 0;    // of the specimen: where smoothness would prove blur
  int scale = 1;                // the image was looked at in 1/scale of its size
  cv::Mat blurred;              // CV_8U at that size, 255 where blurred
};

// `image`: 8 or 16 bit, 1, 3 or 4 channels. `mask`: 8 bit, same size, above 127 on the specimen.
BlurBandResult find_blur_bands(const cv::Mat& image, const cv::Mat& mask,
                               const BlurBandSettings& settings = {});

// One doubt for the image, with the place of the largest band; empty where there is none.
Findings blur_band_findings(const BlurBandResult& result, const std::string& file);

}  // namespace trunnion
