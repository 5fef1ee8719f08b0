// The sets by which masks are tuned and judged, fixed before any constant of the mask stage was
// touched (urns were added with the survey's search for enclosed parts). Constants are chosen on
// TUNING bodies alone; figures are told from JUDGING bodies. Judging holds other individuals of the
// tuning kinds and three kinds that tuning never sees.
#pragma once

#include <array>
#include <cstdint>

namespace trunnion::test {

enum class BodyKind : std::uint8_t { pod, fly, shell, loops, tooth, moss, pappus, ant, urn };

struct MaskBody {
  const char* name;
  BodyKind kind;
  std::uint64_t seed;
};

inline constexpr std::array<MaskBody, 6> kTuningBodies{{
    {"pod-a", BodyKind::pod, 1},
    {"fly-a", BodyKind::fly, 2},
    {"shell-a", BodyKind::shell, 3},
    {"loops-a", BodyKind::loops, 4},
    {"tooth-a", BodyKind::tooth, 5},
    {"urn-a", BodyKind::urn, 6},
}};

inline constexpr std::array<MaskBody, 9> kJudgingBodies{{
    {"pod-b", BodyKind::pod, 101},
    {"fly-b", BodyKind::fly, 102},
    {"shell-b", BodyKind::shell, 103},
    {"loops-b", BodyKind::loops, 104},
    {"tooth-b", BodyKind::tooth, 105},
    {"moss-b", BodyKind::moss, 106},
    {"pappus-b", BodyKind::pappus, 107},
    {"ant-b", BodyKind::ant, 108},
    {"urn-b", BodyKind::urn, 109},
}};

// What stands behind, the same for both: ideal images, and grey as a focus series is fused.
enum class MaskBackdrop : std::uint8_t { black, grey, white, gradient, glow };
inline constexpr std::array kMaskBackdrops{MaskBackdrop::black, MaskBackdrop::grey,
                                           MaskBackdrop::white, MaskBackdrop::gradient,
                                           MaskBackdrop::glow};
inline constexpr std::array kMaskBackdropNames{"black", "grey", "white", "gradient", "glow"};

// 16 bit, no dust; the specimen fills 300 to 450 px (root of its area).
inline constexpr int kMaskSetWidth_px = 1200;
inline constexpr int kMaskSetHeight_px = 900;
inline constexpr int kMaskSetViews = 8;

}  // namespace trunnion::test
