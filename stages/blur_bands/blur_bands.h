// Blur bands: zones of the specimen that no slice of a focus series had in focus show as bands of
// blur in the fused image.
//
// Blur takes the finest structure first. At every place inside the mask the contrast at the scale
// of the pixels is measured, and compared with what the specimen shows elsewhere and with the
// coarser structure of the same place:
//   h = v - G(1 px) * v            v: square root of the brightness, so that noise is even
//   A = sqrt((G(1.5 px) * |h|)^2 - n^2)        fine amplitude without the share of noise n
//   B = G(3 px) * |G(2 px) * v - G(5 px) * v|  coarser amplitude
//   q = A / v                      contrast; exposure cancels
//   r = A / B                      fineness; f is its median
// all windows inside the mask only. A place is blurred where q stays below a share of the
// specimen's median q and r below a share of f: blur takes A and leaves B, while a smoother texture
// has less of both. Smoothness is not judged where it proves nothing: where q and r as elsewhere
// would not rise above the noise (shadows; polished parts without coarser structure), in clipped
// highlights, at the outline, and where a place looks like the backdrop behind it: masks take in
// pockets of backdrop between legs and hairs.
//
// The image is halved, again if needed, until its pixels show structure (A above the noise, and f
// above that of an image enlarged or softer than its pixels) and the specimen is small enough that
// its parts are alike in texture: fine textures of large images differ from part to part by more
// than blur does. So in an image of 26 megapixels, halved two or three times, a blur of 6 to 12 px
// is seen, not one of 2 px.
//
// A textureless part with structure around it (an eye) may look like a blur band: hence a doubt,
// never a fault. Measured shares: docs/decisions/blur-bands.md. A specimen blurred everywhere alike
// is for compare_stations.h to find.
#pragma once

#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "core/finding.h"

namespace trunnion::blur_bands {

struct BlurBandSettings {
  // q, of its median: a blur of 1.5 px takes most textures below it, and nothing of a sharp demo
  // specimen is below it over more than a few pixels.
  double max_relative_contrast = 0.15;
  // r, of its median: blurred places on the demo lay at 0.05 to 0.4, smoother parts of sharp large
  // images at 0.16 to 0.66.
  double max_fineness = 0.4;
  // Of the specimen, of each patch and of all together: less is an accident of texture.
  double min_patch_percent = 0.03;
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
  int scale = 1;                // the image was examined at 1/scale of its size
  cv::Mat blurred;              // CV_8U at that size, 255 where blurred
};

// `image`: 8 or 16 bit, 1, 3 or 4 channels. `mask`: 8 bit, same size, above 127 on the specimen.
// `backdrop`: CV_32FC3 (BGR), full scale 1, the image without the specimen at this image's
// exposure, any size; empty where unknown.
BlurBandResult find_blur_bands(const cv::Mat& image, const cv::Mat& mask,
                               const cv::Mat& backdrop = {}, const BlurBandSettings& settings = {});

// One doubt for the image, with the place of the largest band; empty where there is none.
Findings blur_band_findings(const BlurBandResult& result, const std::string& file);

}  // namespace trunnion::blur_bands
