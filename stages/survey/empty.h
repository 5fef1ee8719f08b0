// The empty-stage image as the backdrop of a set (see survey.h).
//
// A speck on the sensor that is repaired in the set's images would stand in the empty-stage image
// still, and each would look like a part of the specimen. So what specks cover is not taken from
// the image: it is continued smoothly from around. Specks are those that the set shows (where the
// repair stage takes them out) and those that only the empty-stage image has: small spots that
// differ from the backdrop which the stations have seen there.
#pragma once

#include <functional>
#include <opencv2/core.hpp>

#include "core/finding.h"
#include "core/survey_result.h"
#include "stages/survey/backdrop.h"

namespace trunnion::survey {

struct EmptyStage {
  cv::Mat image;  // as the set's: upright, of its size; 8 or 16 bit, whichever the set's have
  // Whether this speck is taken out of the set's images; empty: all are.
  std::function<bool(const Spot&)> is_repaired;
};

// Where specks of the set are, CV_8U, blocks.
struct SetSpecks {
  cv::Mat all;
  cv::Mat repaired;  // those of them that the set's images are rid of
};

// The backdrop (CV_32FC3, 65535 = full scale) from an empty-stage image. `measured`: what the
// stations show of it. `scale`: side of a block. `noise`: contrast of the noise of a block, 1
// sigma.
cv::Mat backdrop_from_empty(const cv::Mat& empty_stage, const StackBackdrop& measured,
                            const SetSpecks& specks, int scale, double noise);

// A doubt where the empty-stage image is not the backdrop that the stations saw: other light, other
// exposure, a moved stage. `empty` as returned above; `low`: contrast that makes specimen.
Findings disagreement(const cv::Mat& empty, const StackBackdrop& measured, double low);

}  // namespace trunnion::survey
