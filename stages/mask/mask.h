// Mask: where in an image the specimen is, as soft coverage at full resolution.
//
// Contrast. Each block of the image (1/scale of its size) is compared with the backdrop by
// contrast.h, once with its mean and once with its extremes. A block whose extremes all stay below
// the low threshold is clear, one that nowhere comes near the backdrop is solid; only the rest is
// tested pixel by pixel. So bristles of a pixel or two are found, and the inside costs nothing.
//
// Components. Hysteresis (J. Canny, IEEE PAMI 8(6), 1986): a component above the
// low threshold must somewhere pass the high one. The main component is the largest, weighted by
// how often the survey found specimen there (at every station it is near the axis); others are
// kept near it, or where they are large and as often occupied. Holes are filled unless kept by
// setting.
//
// Edge. In a band along the outline a pixel is a mixture of specimen and backdrop,
// in the values the file holds (fusion blends and resamples those), I = a F + (1 - a) B (T. Porter
// and T. Duff, "Compositing digital images", SIGGRAPH 1984). F is known as a distribution: of the
// specimen's inside next to the pixel or, as on bristles, of thin parts; whichever explains the
// pixel better gives the coverage a (unmix.h).
#pragma once

#include <opencv2/core.hpp>

#include "config/settings.h"
#include "core/mask_measures.h"
#include "core/survey_result.h"

namespace trunnion::mask {

struct MaskResult {
  cv::Mat coverage;  // CV_8U, 255 = specimen, size of the image; with the margin that was asked for
                     // (see margin.h), which never grows over a mount that was taken out
  cv::Mat outline;   // the same before the margin: what the image shows, by which it is judged
  MaskMeasures measures;  // of `outline`
  Findings findings;      // without file name; the caller knows it
};

// `image`: 8 or 16 bit, 1, 3 or 4 channels, upright, as the camera saw it (distorted), repaired.
// `object_pixel_mm`: size of a pixel at the plane of focus, for margin_mm. `missing`: what the file
// lacks and was filled (see read_image); nothing there is specimen, nor is it measured.
MaskResult make_mask(const cv::Mat& image, const SurveyResult& survey, const MaskSettings& settings,
                     double object_pixel_mm, const cv::Rect& missing = {});

// The user's hand: what is painted (any value above half scale) in `add` becomes specimen, in
// `subtract` backdrop; either may be empty; subtract wins. Throws a data error where a size
// differs from the image's. Alpha says what is painted, where any of it is transparent; else
// brightness.
cv::Mat apply_user_mask(const cv::Mat& coverage, const cv::Mat& add, const cv::Mat& subtract);

// Measures of a coverage (also after apply_user_mask); separation is left at 0.
MaskMeasures measure_mask(const cv::Mat& coverage);

}  // namespace trunnion::mask
