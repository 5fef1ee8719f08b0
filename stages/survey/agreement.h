// How well the stations agree on one speck, estimated from the stations themselves.
//
// The strength of a speck in front of texture (speck.h) rests on a scatter measured over the
// whole of the texture. The jackknife measures it at the place: with the depth a_g of the shape
// fitted without the g-th of G groups of neighbouring stations, which show the same part of the
// specimen and so have the same error,
//   sigma^2 = (G - 1) / G * sum (a_g - mean a)^2
// (B. Efron, C. Stein, "The jackknife estimate of variance", Annals of Statistics 9(3), 1981).
// With few groups sigma is itself uncertain, and among thousands of places one is always found
// where it came out small: groups of two stations and twelve of them are the least that tells
// specks from pattern.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "stages/survey/speck.h"

namespace trunnion::survey {

inline constexpr std::size_t kAgreementStations = 24;

// |a| / sigma of `speck`, given in px of a level `scale` times as coarse as `logs`, which stand in
// the order of the stations; `noise` is that of the level. 0 with fewer than kAgreementStations.
double agreement_of(const std::vector<cv::Mat>& logs, const LightNoise& noise, const Speck& speck,
                    int scale);

}  // namespace trunnion::survey
