// How far one mask will overlap with the specimen, predicted from what its image shows, without any
// truth: its own measure of doubt, beside that of its neighbours
// (mask_confidence/mask_confidence.h).
//
// Masks are wrong where they are uncertain, and each kind of place has its own share of errors:
// pixels of the outline, the more the wider the transition from backdrop to specimen is; pixels of
// the outline that hardly stand out; parts too thin to hold a pixel covered whole; outlines of
// broad parts whose contrast rises slowly, by the width over which it does; and what was filled
// although it does not stand out. With n_k pixels of the k-th kind, c_k the share of them that is
// wrong on the average and A the area,
//   1 - overlap = sum c_k n_k / A.
// The shares were chosen on the tuning bodies of tests/support/mask_sets.h (by hand, so that set by
// set the prediction meets the truth), and how well they do on the judging bodies is reported in
// docs/decisions/masks-family.md.
#pragma once

#include <cstddef>
#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

#include "core/mask_measures.h"

namespace trunnion::mask {

enum class DoubtKind : std::uint8_t { outline, wide, weak, thin, thin_in_dark, filled, gradual };
inline constexpr std::size_t kDoubtKinds = 7;

// Pixels of one kind about a place of the image.
struct DoubtPart {
  cv::Point at;
  DoubtKind kind = DoubtKind::outline;
  double px = 0;  // `wide`, `gradual`: times the px of width beyond a sharp outline's
};

// Fills the predicted overlap, its sigma and where most of the doubt lies.
void predict_overlap(const std::vector<DoubtPart>& parts, MaskMeasures& measures);

}  // namespace trunnion::mask
