#include "stages/survey/kind.h"

#include <fmt/format.h>

#include <cmath>
#include <string>
#include <vector>

#include "core/contrast.h"
#include "core/median.h"

namespace trunnion::survey {
namespace {

// Lightness and chroma a kind may have.
struct Limits {
  const char* word;
  float darkest, lightest, least_chroma, most_chroma;
};

Limits limits_of(BackdropKind kind) {
  switch (kind) {
    case BackdropKind::black:
      return {"black", 0, 35, 0, 20};
    case BackdropKind::white:
      return {"white", 65, 101, 0, 20};
    case BackdropKind::grey:
      return {"grey", 15, 90, 0, 20};
    case BackdropKind::colour:
      return {"colour", 0, 101, 8, 1000};
    case BackdropKind::automatic:
      break;
  }
  return {"auto", 0, 101, 0, 1000};
}

}  // namespace

std::optional<Finding> contradiction(const SurveyResult& survey, BackdropKind kind) {
  if (kind == BackdropKind::automatic || survey.backdrop.empty()) return std::nullopt;
  const cv::Mat lab = to_lab(survey.backdrop, survey.full_scale);
  std::vector<float> lightness;
  std::vector<float> chroma;
  for (int y = 0; y < lab.rows; ++y) {
    for (int x = 0; x < lab.cols; ++x) {
      const auto& at = lab.ptr<cv::Vec3f>(y)[x];
      lightness.push_back(at[0]);
      chroma.push_back(std::hypot(at[1], at[2]));
    }
  }
  const float l = median_in_place(lightness);
  const float c = median_in_place(chroma);
  const Limits limits = limits_of(kind);
  if (l >= limits.darkest && l <= limits.lightest && c >= limits.least_chroma &&
      c <= limits.most_chroma) {
    return std::nullopt;
  }
  const std::string seen = c > 20 ? "coloured" : l < 25 ? "black" : l > 80 ? "white" : "grey";
  return Finding{Severity::doubt, "survey", "",
                 fmt::format("The backdrop in the images is {} (lightness {:.0f} of 100, chroma "
                             "{:.0f}), but specimen.toml says \"{}\".",
                             seen, l, c, limits.word),
                 "Check that these are the right images, then correct kind in [backdrop]."};
}

}  // namespace trunnion::survey
