#include "tests/support/fused_slices.h"

#include <cmath>
#include <cstdlib>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "datasets/focus_layers.h"

namespace trunnion::test {
namespace {

// A disc of confusion, as twice a box.
cv::Mat spread(const cv::Mat& layer, double half_px) {
  const int side = 2 * static_cast<int>(std::lround(0.5 * half_px)) + 1;
  if (side <= 1) return layer;
  cv::Mat once;
  cv::Mat twice;
  cv::blur(layer, once, {side, side}, {-1, -1}, cv::BORDER_CONSTANT);
  cv::blur(once, twice, {side, side}, {-1, -1}, cv::BORDER_CONSTANT);
  return twice;
}

cv::Mat energy_of(const cv::Mat& slice, int number) {
  cv::Mat grey;
  cv::cvtColor(slice, grey, cv::COLOR_BGR2GRAY);
  cv::Mat noise(grey.size(), CV_32F);
  cv::RNG random(static_cast<std::uint64_t>(number) + 17);
  random.fill(noise, cv::RNG::NORMAL, 0.0, 0.004);
  grey += noise;
  cv::Mat laplacian;
  cv::Laplacian(grey, laplacian, CV_32F, 1);
  cv::Mat energy = laplacian.mul(laplacian);
  cv::GaussianBlur(energy, energy, {0, 0}, 3.0);
  return energy;
}

}  // namespace

cv::Mat fused_slices(const cv::Mat& own, const demo::RenderedView& view, const cv::Mat& backdrop,
                     const SliceOptions& options) {
  const int count = options.slices;
  const std::vector<cv::Mat> layers = demo::depth_layers(own, view, count);
  std::vector<cv::Mat> slices(static_cast<std::size_t>(count));
  cv::Mat best(own.size(), CV_32F, cv::Scalar(-1));
  cv::Mat index(own.size(), CV_32S, cv::Scalar(0));
  for (int s = 0; s < count; ++s) {
    cv::Mat image = backdrop.clone();
    for (int i = count - 1; i >= 0; --i) {
      demo::lay_over(
          image, spread(layers[static_cast<std::size_t>(i)], options.blur_px * std::abs(i - s)));
    }
    const cv::Mat energy = energy_of(image, s);
    index.setTo(s, energy > best);
    cv::max(best, energy, best);
    slices[static_cast<std::size_t>(s)] = image;
  }
  cv::Mat fused = cv::Mat::zeros(own.size(), CV_32FC3);
  for (int s = 0; s < count; ++s) {
    cv::Mat weight;
    cv::Mat(index == s).convertTo(weight, CV_32F, 1.0 / 255.0);
    cv::GaussianBlur(weight, weight, {0, 0}, 1.5);
    cv::Mat weight3;
    cv::merge(std::vector<cv::Mat>{weight, weight, weight}, weight3);
    fused += slices[static_cast<std::size_t>(s)].mul(weight3);
  }
  return fused;
}

}  // namespace trunnion::test
