#include "stages/survey/doubt.h"

#include <array>
#include <cmath>

#include "core/median.h"

namespace trunnion::survey {
namespace {

// A fiftieth of the frame, a quarter of what a specimen's turning uncovers: less is filled in from
// around as well as it is seen.
constexpr double kThin = 0.02;
constexpr double kUnsettled = 0.10;  // of sigma; thresholds are set in steps wider than that
constexpr float kConfirmed = 2;      // stations
constexpr std::size_t kTooFew = 3;   // so few stations do not show their scatter

bool doubtful_backdrop(const SurveyDoubts& d) {
  return d.backdrop > kThin;
}
bool doubtful_noise(const SurveyDoubts& d) {
  return d.noise > kUnsettled;
}

}  // namespace

bool SurveyDoubts::any() const {
  return specks > 0 || doubtful_backdrop(*this) || doubtful_noise(*this);
}

bool SurveyDoubts::eased_since(const SurveyDoubts& before) const {
  return (specks > 0 && specks < before.specks) ||
         (doubtful_backdrop(*this) && backdrop < before.backdrop) ||
         (doubtful_noise(*this) && noise < before.noise);
}

double thin_backdrop(const cv::Mat& visible, std::size_t stations) {
  if (stations < kTooFew) return 1;
  const int thin = cv::countNonZero((visible > 0) & (visible < kConfirmed));
  return static_cast<double>(thin) / static_cast<double>(visible.total());
}

double unsettled_noise(const std::vector<std::vector<NoiseSample>>& noise, double full_scale) {
  std::array<std::vector<NoiseSample>, 2> halves;
  std::vector<float> levels;
  for (std::size_t k = 0; k < noise.size(); ++k) {
    halves[k % 2].insert(halves[k % 2].end(), noise[k].begin(), noise[k].end());
    for (const NoiseSample& sample : noise[k]) levels.push_back(sample.level);
  }
  if (halves[0].empty() || halves[1].empty()) return 1;
  const auto middle = static_cast<double>(median_in_place(levels));
  std::array<double, 2> variance{};
  for (std::size_t k = 0; k < 2; ++k) {
    const NoiseModel model = fit_noise(halves[k], full_scale);
    variance[k] = model.variance(middle);
  }
  return std::abs(std::sqrt(variance[0] / variance[1]) - 1);
}

}  // namespace trunnion::survey
