// Sums around a pixel of the outline against the same sums pixel by pixel in double precision.
#include "stages/mask/window.h"

#include <gtest/gtest.h>

namespace trunnion::mask {
namespace window_test {

struct Tile {
  cv::Mat image;
  cv::Mat binary_mask, inner, thin;  // of the image from `origin` on
  cv::Point origin{7, 4};
  Tile(int depth, int channels) {
    cv::RNG random(5);
    image.create(60, 70, CV_MAKETYPE(depth, channels));
    random.fill(image, cv::RNG::UNIFORM, 0, depth == CV_16U ? 65535 : 255);
    const cv::Size size(50, 41);
    for (cv::Mat* map : {&binary_mask, &inner, &thin}) {
      map->create(size, CV_8U);
      random.fill(*map, cv::RNG::UNIFORM, 0, 2);
      *map *= 255;
    }
    inner &= binary_mask;
  }
  [[nodiscard]] cv::Vec3d value(int x, int y) const {
    cv::Mat whole;
    image.convertTo(whole, CV_64F, image.depth() == CV_16U ? 1.0 / 65535 : 1.0 / 255);
    const double* pixel = whole.ptr<double>(origin.y + y) + (origin.x + x) * image.channels();
    if (image.channels() == 1) return cv::Vec3d::all(pixel[0]);
    return {pixel[0], pixel[1], pixel[2]};
  }
};

WindowSums plain_sums(const Tile& tile, int x, int y, int reach, const cv::Vec3d& behind,
                      bool thin_only) {
  double weight = 0;
  double extreme_weight = 0;
  cv::Vec3d sum;
  cv::Vec3d extreme;
  cv::Matx33d products = cv::Matx33d::zeros();
  for (int v = std::max(0, y - reach); v <= std::min(tile.binary_mask.rows - 1, y + reach); ++v) {
    for (int u = std::max(0, x - reach); u <= std::min(tile.binary_mask.cols - 1, x + reach); ++u) {
      if (tile.binary_mask.at<uchar>(v, u) == 0) continue;
      const cv::Vec3d value = tile.value(u, v);
      if (tile.inner.at<uchar>(v, u) != 0) {
        const double w = std::pow(1.0 / (1 + (u - x) * (u - x) + (v - y) * (v - y)), 3);
        weight += w;
        sum += w * value;
        products += w * (value * value.t());
      }
      if (thin_only && tile.thin.at<uchar>(v, u) == 0) continue;
      const double w = std::pow(cv::norm(value - behind), 6);
      extreme_weight += w;
      extreme += w * value;
    }
  }
  const auto f = [](double number) { return static_cast<float>(number); };
  return {f(weight),
          {f(sum[0]), f(sum[1]), f(sum[2])},
          {f(products(0, 0)), f(products(0, 1)), f(products(0, 2)), f(products(1, 1)),
           f(products(1, 2)), f(products(2, 2))},
          f(extreme_weight),
          {f(extreme[0]), f(extreme[1]), f(extreme[2])}};
}

void expect_near(const WindowSums& a, const WindowSums& b) {
  const auto near = [](float one, float other) { EXPECT_NEAR(one, other, 2e-5F + 1e-5F * other); };
  near(a.weight, b.weight);
  near(a.extreme_weight, b.extreme_weight);
  for (std::size_t c = 0; c < 3; ++c) {
    near(a.sum[c], b.sum[c]);
    near(a.extreme[c], b.extreme[c]);
  }
  for (std::size_t k = 0; k < 6; ++k) near(a.products[k], b.products[k]);
}

TEST(OutlineWindow, SumsAreThoseOfSinglePixels) {
  const cv::Vec3f behind(0.1F, 0.2F, 0.15F);
  for (const auto& [depth, channels] : {std::pair{CV_16U, 3}, {CV_8U, 1}, {CV_8U, 4}}) {
    const Tile tile(depth, channels);
    for (const int reach : {2, 4, 9}) {
      OutlineWindow window(reach);
      // Twice, since what an earlier part left must not count.
      for (const cv::Rect& core : {cv::Rect(0, 0, 30, 41), cv::Rect(30, 10, 20, 31)}) {
        window.take(tile.image, tile.origin, core, tile.binary_mask, tile.inner, tile.thin);
        for (const cv::Point& at :
             {core.tl(), core.br() - cv::Point(1, 1), core.tl() + cv::Point(9, 14)}) {
          for (const bool thin_only : {false, true}) {
            SCOPED_TRACE(testing::Message() << "reach " << reach << " at " << at);
            expect_near(window.at(at.x, at.y, behind, thin_only),
                        plain_sums(tile, at.x, at.y, reach, behind, thin_only));
          }
        }
      }
    }
  }
}

}  // namespace window_test
}  // namespace trunnion::mask
