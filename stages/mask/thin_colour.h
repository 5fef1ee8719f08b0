// The true colours of thin parts, estimated over the whole image.
//
// A bristle of a pixel covers hardly a pixel whole, so its colour can't be read off next to it. But
// bristles are of a kind: the colours of thin parts are taken as normal, F ~ N(m, S). Of their
// pixels an unknown share is covered whole and the rest evenly between nothing and all;
// expectation maximisation (A. Dempster, N. Laird, D. Rubin, J. R. Stat. Soc. B 39(1), 1977) tells
// that share, m and S.
//
// A pixel that is covered in part lies on the line from its backdrop to its own colour
// (unmix.h), so a thin part's colour is where that line comes nearest to m in the metric of S,
// held against the local extreme, which some pixel nearly reaches. Where the extreme's line misses
// the colours of the image's thin parts, the extreme alone counts.
#pragma once

#include <optional>
#include <vector>

#include "stages/mask/unmix.h"

namespace trunnion::mask {

struct ThinPixel {
  Vec3 value;   // 0..1
  Vec3 behind;  // the backdrop
  float variance = 0;
};

struct ThinColours {
  Colours colours;
  cv::Matx33d precision;  // inverse of the spread
};

// Nothing where there are too few pixels, or where they do not determine a colour.
std::optional<ThinColours> learn_thin_colours(const std::vector<ThinPixel>& pixels);

// Colours of a thin part whose pixels of most contrast near here are `extreme`.
Colours thin_colours_here(const Vec3& extreme, const Vec3& behind,
                          const std::optional<ThinColours>& learnt);

}  // namespace trunnion::mask
