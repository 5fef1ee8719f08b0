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
// clipped highlights, at the outline, and where a place looks like the backdrop behind it: masks
// take in pockets of backdrop between legs and hairs. Where the optics are softer than the pixels,
// so that the median is hardly above the noise, the image is halved first, again if needed.
//
// A textureless part of a specimen (a polished wing case, an eye, glass) looks like a blur band;
// hence a doubt, never a fault, and a single small patch is let pass: a band crosses several
// surfaces or is larger. On the demo (seeds 1 to 4, three backdrops, bands at 7 depths, trunnion's
// own masks) images with a blur of 1.5 px or more over 2 % of the specimen were found in 694 of 717
// cases, over 3 % in 629 of 642, over 1 % in 891 of 978, and none of 144 clean ones. A specimen
// blurred everywhere alike is for compare_stations.h to find.
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
  double min_patch_percent = 0.05;
  double min_area_percent = 0.12;
  double min_single_percent = 0.8;  // of a patch that is the only one
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
// `backdrop`: CV_32FC3 (BGR), full scale 1, the image without the specimen at this image's
// exposure, any size; empty where unknown.
BlurBandResult find_blur_bands(const cv::Mat& image, const cv::Mat& mask,
                               const cv::Mat& backdrop = {}, const BlurBandSettings& settings = {});

// One doubt for the image, with the place of the largest band; empty where there is none.
Findings blur_band_findings(const BlurBandResult& result, const std::string& file);

}  // namespace trunnion
