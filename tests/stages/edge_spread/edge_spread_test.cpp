// Edge spread against blur that is known: an edge integrated over pixels, and rendered specimens
// whose light was blurred before the sensor.
#include "stages/edge_spread/edge_spread.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/error.h"
#include "tests/support/demo_at_720.h"

namespace trunnion::edge_spread {
namespace edge_spread_test {

std::vector<float> linear() {
  std::vector<float> light(65536);
  for (std::size_t i = 0; i < light.size(); ++i) light[i] = static_cast<float>(i) / 65535.0F;
  return light;
}

// A disc with a sharp edge, averaged over each pixel's square (64 samples), then a Gaussian: the
// definition of the edge spread function, no outside program needed.
TEST(EdgeSpread, FindsTheGaussianOfADisc) {
  constexpr int kFine = 8;
  cv::Mat fine = cv::Mat::zeros(400 * kFine, 400 * kFine, CV_32F);
  cv::circle(fine, {1603, 1597}, 1000, cv::Scalar(0.5), cv::FILLED);
  fine += 0.1;
  for (const double sigma : {0.5, 1.0, 2.0, 3.0}) {
    cv::Mat blurred;
    cv::GaussianBlur(fine, blurred, {}, sigma * kFine);
    cv::Mat image;
    cv::resize(blurred, image, {400, 400}, 0, 0, cv::INTER_AREA);
    cv::Mat coverage = image > 0.35;
    image.convertTo(image, CV_16U, 65535.0);
    const EdgeSpread spread = measure_edge_spread(image, coverage, linear());
    EXPECT_GT(spread.edges, kMinEdges);
    // At half a pixel the grid samples the edge too coarsely to know more than a tenth.
    EXPECT_NEAR(spread.sigma_px, sigma, (sigma < 0.7 ? 0.1 : 0.05) * sigma);
  }
}

TEST(EdgeSpread, SaysNothingWithoutEdges) {
  const cv::Mat image(200, 200, CV_8UC3, cv::Scalar(40, 40, 40));
  cv::Mat coverage = cv::Mat::zeros(200, 200, CV_8U);
  EXPECT_EQ(measure_edge_spread(image, coverage, linear()).edges, 0U);
  cv::circle(coverage, {100, 100}, 50, cv::Scalar(255), cv::FILLED);
  EXPECT_EQ(measure_edge_spread(image, coverage, linear()).sigma_px, 0.0);
  EXPECT_THROW(measure_edge_spread(image, coverage(cv::Rect(0, 0, 50, 50)), linear()), Error);
}

// Rayleigh distance over sigma: 0.61 / 0.225 (source in the header); two pixels where no blur is.
TEST(EdgeSpread, DetailOfASigma) {
  EXPECT_DOUBLE_EQ(detail_px(0), 2.0);
  EXPECT_NEAR(detail_px(10), 27.1 * std::sqrt(1 + 4 / (27.1 * 27.1)), 0.02);
}

// The quantile was chosen on seed 1 of three bodies before three backdrops; this is
// seed 1001. The median over a set's stations is what check reports. A tenth is wanted in all; it
// is reached in four fifths of the cases, and what is reached is held here.
TEST(SlowEdgeSpreadDemo, DetailIsNearThatOfTheBlur) {
  int cases = 0;
  int within_a_tenth = 0;
  for (const demo::Body body : {demo::Body::beetle, demo::Body::pebble, demo::Body::shell}) {
    for (const auto shade :
         {demo::BackdropShade::black, demo::BackdropShade::grey, demo::BackdropShade::white}) {
      demo::DemoOptions options = test::demo_at_720();
      options.body = body;
      options.backdrop = shade;
      options.stations = 3;
      options.rings = 1;
      options.boards = false;
      options.seed = 1001;
      const demo::DemoSet set(options);
      for (const double sigma : {0.7, 1.0, 1.5, 2.0, 3.0}) {
        std::vector<double> details;
        for (const demo::DemoView& view : set.views()) {
          demo::RenderedView rendered = set.render(view);
          cv::GaussianBlur(rendered.colour, rendered.colour, {}, sigma);
          const cv::Mat image = set.fused(view, rendered);
          const EdgeSpread spread = measure_edge_spread(image, rendered.coverage, linear());
          if (spread.sigma_px > 0) details.push_back(detail_px(spread.sigma_px));
        }
        ASSERT_FALSE(details.empty());
        std::sort(details.begin(), details.end());
        const double ratio = details[details.size() / 2] / detail_px(sigma);
        ++cases;
        within_a_tenth += std::abs(ratio - 1.0) <= 0.10 ? 1 : 0;
        EXPECT_NEAR(ratio, 1.0, 0.15)
            << static_cast<int>(body) << " before " << static_cast<int>(shade) << ", " << sigma;
      }
    }
  }
  EXPECT_GE(within_a_tenth, 0.75 * cases) << within_a_tenth << " of " << cases;
}

}  // namespace edge_spread_test
}  // namespace trunnion::edge_spread
