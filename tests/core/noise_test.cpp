#include "core/noise.h"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/core.hpp>

namespace trunnion {
namespace noise_test {

// The variance of counts of a Poisson distribution is their mean (any textbook of statistics), so
// photons of `gain` values each on read noise of sigma r vary by r^2 + gain * level. Drawn with
// OpenCV's normal deviates, Poisson by adding up exponential waiting times.
TEST(NoiseModel, IsTheVarianceOfPhotonsOnReadNoise) {
  constexpr double kGain = 2.0;
  constexpr double kRead = 3.0;
  const NoiseModel model{kRead * kRead, kGain};
  cv::RNG random(1);
  for (const double photons : {4.0, 40.0}) {
    constexpr int kDraws = 20'000;
    double sum = 0;
    double squares = 0;
    for (int draw = 0; draw < kDraws; ++draw) {
      int count = -1;
      for (double time = 0; time < photons; ++count)
        time -= std::log(1.0 - random.uniform(0.0, 1.0));
      const double value = kGain * count + random.gaussian(kRead);
      sum += value;
      squares += value * value;
    }
    const double level = sum / kDraws;
    const double measured = squares / kDraws - level * level;
    // 1 sigma of a variance from n draws is near sqrt(2 / n) of it: 1 %; five of them.
    EXPECT_NEAR(measured / model.variance(level), 1.0, 0.05) << photons;
  }
}

}  // namespace noise_test
}  // namespace trunnion
