// Survey: measures a whole set at stations spread evenly over the rings. What does not turn is
// backdrop; what repeats at the same pixel is dust on the sensor.
//
// Stations. As few as the estimate needs: a first round of settings.stations; while doubt remains
// (doubt.h says which, and why) each further round adds stations evenly between those
// already seen, three times as many in all, up to settings.most_stations; it also ends where a
// round has removed no doubt. Backdrop, noise and masks are no better from 36 stations than from 8;
// specks in front of texture are (docs/decisions/dust-search.md).
//
// Backdrop. The images are reduced to blocks and stacked. A pixel whose median absolute deviation
// over the stations stays within the noise has not changed while the specimen turned; the region of
// such pixels that is connected with the frame's edge is backdrop. From there it grows inwards:
// where it can be continued smoothly and some stations agree with the continuation within the
// noise, those stations see the backdrop beside the specimen (visibility.h). What too few
// stations see is interpolated and marked as such.
// An image of the empty stage replaces all this (empty.h).
//
// Noise. For a sensor the variance grows linearly with the level (EMVA standard 1288): a robust
// line through local variances of the second-difference operator of Immerkaer, "Fast noise variance
// estimation", Computer Vision and Image Understanding 64(2), 1996, in tiles without texture.
//
// Dust. A speck on the sensor dims every station's light by the same factor, so its edge stands
// still in the logarithm of the images while all else moves on: static.h separates that part
// of the gradients, search.h finds soft discs in it, speck.h fits each,
// settle.h improves its depth.
//
// Memory: one full image a thread, accumulators of its size and two bytes a pixel and station (a
// quarter of that for images over 2000 px), of 24 stations at most. 26 megapixels, 16 bit, two
// threads: 0.84 GB with 12 stations, 0.93 to 1.01 GB with 24.
#pragma once

#include <cstddef>
#include <functional>
#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "config/settings.h"
#include "core/survey_result.h"
#include "stages/survey/empty.h"

namespace trunnion::survey {

// Decodes one image of the set, upright, 1, 3 or 4 channels. May throw a data error. Called from
// several threads.
using ImageReader = std::function<cv::Mat(std::size_t)>;

// `images` are the indices that may be examined, in the order of survey_stations; how many of them
// were is in the result. `empty_stage` is used for the backdrop where given. Deterministic;
// holds one full image a oneTBB worker. All images must have one size and depth, the empty-stage
// image the same size; throws a data error where they have not.
SurveyResult survey(const std::vector<std::size_t>& images, const ImageReader& read,
                    const std::optional<EmptyStage>& empty_stage, BackdropKind backdrop,
                    const SurveySettings& settings);

// Indices over the images of all rings, round after round, most_stations of them or all where there
// are fewer; those of a round, and of all rounds so far, are spread evenly over the rings.
std::vector<std::size_t> survey_stations(const std::vector<std::size_t>& ring_sizes,
                                         const SurveySettings& settings);

// How many of `all` such stations have been examined after the round that follows `seen` (0:
// none).
std::size_t survey_round_end(std::size_t seen, std::size_t all, const SurveySettings& settings);

// The dust map as a picture (CV_8UC3, at most 1200 px): the backdrop, pale, with every spot
// circled.
cv::Mat dust_map(const SurveyResult& survey);

}  // namespace trunnion::survey
