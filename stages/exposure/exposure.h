// Exposure: brings the exposure of every station to that of the set, and evens out vignetting.
//
// What a station got of light is read off the backdrop, which does not turn (measure_view.h). With
// r the station's backdrop over the survey's, L the survey's level (its median), both in values of
// the file, and the tone curve light = t(value) (tone_curve.h), the station's exposure is
//   e = t(r L) / t(L)
// and every colour sample becomes, where `level` is [exposure] level_percent / 100,
//   light' = factor light / e^p(x, y),   factor = level / e
// with p of the empty stage or a grey card (illumination.h), 0 where there is none. A station whose
// exposure can't be measured is taken for usual (e = 1), and a doubt says so.
//
// Clipping. A sample below full scale stays below: the factor is limited by the brightest of them,
// and a doubt says which level_percent would need no limit. Samples at full scale, at zero, and
// alpha stay as they are.
//
// Undoing. The factor is rounded to the six decimals with which the note records it. Divided by it
// (undo), every sample returns to within one count, since a factor below 1/3 is never used: values
// are rounded twice, and the first error grows at most by the steepness t'(v') / (factor t'(v)).
#pragma once

#include <opencv2/core.hpp>
#include <optional>

#include "config/settings.h"
#include "core/finding.h"
#include "core/survey_result.h"
#include "stages/exposure/illumination.h"
#include "stages/exposure/tone_curve.h"

namespace trunnion::exposure {

inline constexpr double kLeastFactor = 1.0 / 3.0;
inline constexpr double kMostFactor = 3.0;  // more would show the noise rather than the specimen

struct Balance {
  double factor = 1;  // of light
  Findings findings;  // a note with factor and p; a doubt where less was done than was asked for.
                      // Finding::file is left to the caller
};

// Exposure e of a station, 1 as the survey. Nothing where the backdrop is too dark or clipped.
std::optional<double> exposure_of(double backdrop_level, const SurveyResult& survey,
                                  const ToneCurve& curve);

// Changes `image` (8 or 16 bit, 1, 3 or 4 channels) in place. `backdrop_level`: ViewMeasures.
Balance balance(cv::Mat& image, const FoundCurve& found, double backdrop_level,
                const SurveyResult& survey, const Illumination& illumination, double level);

// light' = factor light / e^p, in place. A sample below full scale stays below.
void scale_light(cv::Mat& image, const ToneCurve& curve, double factor,
                 const Illumination& illumination);

// Takes back what scale_light did with the same arguments.
void undo(cv::Mat& image, const ToneCurve& curve, double factor, const Illumination& illumination);

// The greatest factor that clips no sample which is not clipped.
double greatest_factor(const cv::Mat& image, const ToneCurve& curve,
                       const Illumination& illumination);

}  // namespace trunnion::exposure
