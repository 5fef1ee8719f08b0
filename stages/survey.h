// Survey: the first look at a whole set, in one streaming pass over stations spread evenly over
// the rings. What does not turn is backdrop; what repeats at the same pixel is dust on the sensor.
//
// Backdrop. The images are reduced to blocks and stacked. A pixel whose median absolute deviation
// over the stations stays within the noise has not changed while the specimen turned; the region of
// such pixels that hangs together with the frame's edge is backdrop. From there it grows inwards:
// where it can be continued smoothly and some stations agree with the continuation, those stations
// have looked past the specimen. What no station has seen is interpolated and marked as such.
// An empty-stage image takes the place of all this.
//
// Noise. For a sensor the variance grows linearly with the level (EMVA standard 1288): a robust
// line through local variances of the second-difference operator of Immerkaer, "Fast noise variance
// estimation", Computer Vision and Image Understanding 64(2), 1996, in tiles without texture.
//
// Dust. A speck on the sensor dims every station's light by the same factor, so its edge stands
// still in the logarithm of the images while all else moves on: survey_static.h tells that part of
// the gradients apart, survey_search.h finds soft discs in it, survey_speck.h fits each.
//
// Memory: one full image a thread, accumulators of its size and two bytes a pixel and station (a
// quarter of that for images over 2000 px).
#pragma once

#include <cstddef>
#include <functional>
#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "config/settings.h"
#include "core/survey_result.h"

namespace trunnion {

// Decodes one image of the set, upright, 1, 3 or 4 channels. May throw a data error. Called from
// several threads.
using ImageReader = std::function<cv::Mat(std::size_t)>;

// `images` are the indices to look at (see survey_stations); `empty_stage` is used for the backdrop
// where given. Deterministic; holds one full image a oneTBB worker. All images
// must have one size and depth; throws a data error where they have not.
SurveyResult survey(const std::vector<std::size_t>& images, const ImageReader& read,
                    const std::optional<cv::Mat>& empty_stage, BackdropKind backdrop,
                    const SurveySettings& settings);

// `wanted` indices spread evenly over `ring_sizes` images, all where there are fewer.
std::vector<std::size_t> survey_stations(const std::vector<std::size_t>& ring_sizes, int wanted);

// The dust map as a picture (CV_8UC3, at most 1200 px): the backdrop, pale, with every spot
// circled.
cv::Mat dust_map(const SurveyResult& survey);

}  // namespace trunnion
