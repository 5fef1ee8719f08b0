#include "stages/mask/unmix.h"

#include <gtest/gtest.h>

#include <cmath>

#include "datasets/random.h"
#include "stages/mask/thin_colour.h"

namespace trunnion::mask {
namespace unmix_test {

constexpr float kVariance = 1e-5F;
const Vec3 kGrey(0.47F, 0.475F, 0.47F);
const Vec3 kBrown(0.20F, 0.36F, 0.50F);

// Covariance of brown in more or less light.
cv::Matx33f shades(float sigma) {
  return sigma * sigma * (kBrown * kBrown.t()) + 1e-6F * cv::Matx33f::eye();
}

Vec3 mixed(float coverage, const Vec3& body) {
  return coverage * body + (1.0F - coverage) * kGrey;
}

TEST(Unmix, IsTheProjectionWhereTheColourIsKnown) {
  const Colours brown{kBrown, cv::Matx33f::zeros()};
  for (const float coverage : {0.0F, 0.3F, 0.5F, 1.0F}) {
    const Mixture mixture = unmix(mixed(coverage, kBrown), brown, kGrey, kVariance);
    EXPECT_TRUE(mixture.decided);
    EXPECT_NEAR(mixture.coverage, coverage, 1e-3);
  }
}

// Brown in a fifth more light, half covered: the projection takes the light for less coverage.
TEST(Unmix, ReadsTheCoverageFromWhatLightDoesNotChange) {
  const Vec3 pixel = mixed(0.5F, 1.2F * kBrown);
  const Mixture blind = unmix(pixel, {kBrown, cv::Matx33f::zeros()}, kGrey, kVariance);
  const Mixture knowing = unmix(pixel, {kBrown, shades(0.2F)}, kGrey, kVariance);
  EXPECT_GT(std::abs(blind.coverage - 0.5F), 0.05F);
  EXPECT_NEAR(knowing.coverage, 0.5F, 0.03F);
  EXPECT_LT(knowing.cost, blind.cost);
}

TEST(Unmix, DecidesNothingWithoutContrast) {
  EXPECT_FALSE(unmix(kGrey, {kGrey, shades(0.1F)}, kGrey, kVariance).decided);
}

// Colours of a grey image differ in one direction only: nothing may cancel to no number.
TEST(Unmix, DistinguishesGreyFromGrey) {
  const Vec3 body = Vec3::all(0.8F);
  const cv::Matx33f spread = 0.04F * cv::Matx33f::ones() + 1e-5F * cv::Matx33f::eye();
  for (int k = 0; k <= 100; ++k) {
    const float coverage = 0.01F * static_cast<float>(k);
    const Vec3 behind = Vec3::all(0.1F);
    const Mixture mixture =
        unmix(coverage * body + (1.0F - coverage) * behind, {body, spread}, behind, kVariance);
    ASSERT_TRUE(mixture.decided);
    EXPECT_NEAR(mixture.coverage, coverage, 0.01F) << k;
    EXPECT_TRUE(std::isfinite(mixture.cost)) << k;
  }
}

// Thin parts of one colour in varying light, a third of their pixels covered whole.
std::vector<ThinPixel> thin_pixels(std::size_t count) {
  demo::Draws draws(7, 1);
  std::vector<ThinPixel> pixels;
  for (std::size_t i = 0; i < count; ++i) {
    const auto light = static_cast<float>(draws.uniform(0.8, 1.2));
    const auto part = static_cast<float>(draws.uniform(0.0, 1.0));
    pixels.push_back({mixed(i % 3 == 0 ? 1.0F : part, light * kBrown), kGrey, kVariance});
  }
  return pixels;
}

TEST(ThinColours, AreLearntFromPixelsOfWhichMostAreMixed) {
  const auto learnt = learn_thin_colours(thin_pixels(1500));
  ASSERT_TRUE(learnt.has_value());
  EXPECT_NEAR(cv::norm(learnt->colours.mean - kBrown), 0.0, 0.03);
  // An extreme that is itself a mixture is carried on to the colours it is a mixture of.
  const Colours here = thin_colours_here(mixed(0.8F, kBrown), kGrey, learnt);
  EXPECT_NEAR(cv::norm(here.mean - kBrown), 0.0, 0.03);
  // One of another kind stays what it is.
  const Vec3 green(0.1F, 0.6F, 0.1F);
  EXPECT_EQ(thin_colours_here(green, kGrey, learnt).mean, green);
}

// A hair of a third of a pixel never covers a pixel whole: its extreme is a mixture. Where hue
// shows nothing, as in front of black, only the colours of the other thin parts say so.
TEST(ThinColours, OfAPartThinnerThanAPixelAreThoseOfTheOthers) {
  const Vec3 black = Vec3::all(0.02F);
  demo::Draws draws(11, 1);
  std::vector<ThinPixel> pixels;
  for (int i = 0; i < 1500; ++i) {
    const auto light = static_cast<float>(draws.uniform(0.85, 1.15));
    const auto part = i % 3 == 0 ? 1.0F : static_cast<float>(draws.uniform(0.0, 1.0));
    pixels.push_back({part * light * kBrown + (1.0F - part) * black, black, kVariance});
  }
  const auto learnt = learn_thin_colours(pixels);
  ASSERT_TRUE(learnt.has_value());
  for (const float width : {0.3F, 0.45F}) {
    const Vec3 extreme = width * kBrown + (1.0F - width) * black;
    const Colours here = thin_colours_here(extreme, black, learnt);
    const Mixture mixture = unmix(extreme, here, black, kVariance);
    EXPECT_NEAR(mixture.coverage, width, 0.15F * width) << width;
  }
  // One that covers its pixel whole in a little less light is no thin part.
  const Colours whole = thin_colours_here(0.9F * kBrown, black, learnt);
  EXPECT_GT(unmix(0.9F * kBrown, whole, black, kVariance).coverage, 0.9F);
}

TEST(ThinColours, OfGreyImagesAreLearntToo) {
  demo::Draws draws(9, 1);
  std::vector<ThinPixel> pixels;
  for (int i = 0; i < 1500; ++i) {
    const auto light = static_cast<float>(draws.uniform(0.3, 0.9));
    const auto part = i % 3 == 0 ? 1.0F : static_cast<float>(draws.uniform(0.0, 1.0));
    pixels.push_back(
        {Vec3::all(part * light + (1.0F - part) * 0.05F), Vec3::all(0.05F), kVariance});
  }
  const auto learnt = learn_thin_colours(pixels);
  ASSERT_TRUE(learnt.has_value());
  EXPECT_TRUE(cv::checkRange(learnt->colours.mean));
  EXPECT_TRUE(cv::checkRange(learnt->precision));
  EXPECT_GT(learnt->colours.mean[0], 0.3F);
}

TEST(ThinColours, AreUnknownWhereThereAreFew) {
  EXPECT_FALSE(learn_thin_colours(thin_pixels(100)).has_value());
}

}  // namespace unmix_test
}  // namespace trunnion::mask
