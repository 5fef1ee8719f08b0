#include "stages/mask/window.h"

#include <cstring>

namespace trunnion::mask {
namespace {

constexpr int kLanes = 4;
using Lanes [[gnu::vector_size(16)]] = float;

Lanes load(const float* from) {
  Lanes lanes;
  std::memcpy(&lanes, from, sizeof lanes);
  return lanes;
}

float total(const Lanes& lanes) {
  return (lanes[0] + lanes[1]) + (lanes[2] + lanes[3]);
}

}  // namespace

OutlineWindow::OutlineWindow(int reach)
    : reach_(reach), padded_((2 * reach + kLanes) / kLanes * kLanes) {
  within_.assign(static_cast<std::size_t>(padded_), 0.0F);
  std::fill_n(within_.begin(), 2 * reach + 1, 1.0F);
  for (int v = -reach; v <= reach; ++v) {
    for (int u = -reach; u < padded_ - reach; ++u) {
      const float near = 1.0F / static_cast<float>(1 + u * u + v * v);
      near_.push_back(u <= reach ? near * near * near : 0.0F);
    }
  }
}

template <typename T>
void OutlineWindow::fill(const cv::Mat& image, const cv::Point& origin, const cv::Mat& binary_mask,
                         const cv::Mat& inner, const cv::Mat& thin) {
  const cv::Rect inside = held_ & cv::Rect({0, 0}, binary_mask.size());
  const int channels = image.channels();
  for (int y = inside.y; y < inside.br().y; ++y) {
    const T* pixel = image.ptr<T>(origin.y + y) + (origin.x + inside.x) * channels;
    const int row = y - held_.y;
    for (int x = inside.x; x < inside.br().x; ++x, pixel += channels) {
      const int at = x - held_.x;
      const bool on = binary_mask.ptr<std::uint8_t>(y)[x] != 0;
      if (!on) continue;
      const Vec3 value = value_of(pixel, channels);
      for (int c = 0; c < 3; ++c) {
        values_[static_cast<std::size_t>(c)].ptr<float>(row)[at] = value[c];
      }
      kept_.ptr<float>(row)[at] = 1.0F;
      if (inner.ptr<std::uint8_t>(y)[x] != 0) whole_.ptr<float>(row)[at] = 1.0F;
      if (thin.ptr<std::uint8_t>(y)[x] != 0) kept_thin_.ptr<float>(row)[at] = 1.0F;
    }
  }
}

void OutlineWindow::take(const cv::Mat& image, const cv::Point& origin, const cv::Rect& core,
                         const cv::Mat& binary_mask, const cv::Mat& inner, const cv::Mat& thin) {
  held_ = {core.x - reach_, core.y - reach_, core.width + reach_ + padded_,
           core.height + 2 * reach_ + 1};
  for (cv::Mat* plane : {&values_[0], &values_[1], &values_[2], &whole_, &kept_, &kept_thin_}) {
    plane->create(held_.size(), CV_32FC1);
    plane->setTo(0);
  }
  if (image.depth() == CV_16U) {
    fill<std::uint16_t>(image, origin, binary_mask, inner, thin);
  } else {
    fill<std::uint8_t>(image, origin, binary_mask, inner, thin);
  }
}

WindowSums OutlineWindow::at(int x, int y, const Vec3& behind, bool thin_only) const {
  const cv::Mat& extremes = thin_only ? kept_thin_ : kept_;
  Lanes weight{};
  std::array<Lanes, 3> sum{};
  std::array<Lanes, 6> products{};
  Lanes extreme_weight{};
  std::array<Lanes, 3> extreme{};
  const int left = x - reach_ - held_.x;
  const float* near = near_.data();
  for (int v = 0; v <= 2 * reach_; ++v, near += padded_) {
    const int row = y - reach_ - held_.y + v;
    const float* blue = values_[0].ptr<float>(row) + left;
    const float* green = values_[1].ptr<float>(row) + left;
    const float* red = values_[2].ptr<float>(row) + left;
    const float* whole = whole_.ptr<float>(row) + left;
    const float* kept = extremes.ptr<float>(row) + left;
    for (int u = 0; u < padded_; u += kLanes) {
      const Lanes b = load(blue + u);
      const Lanes g = load(green + u);
      const Lanes r = load(red + u);
      const Lanes w = load(near + u) * load(whole + u);
      const Lanes wb = w * b;
      const Lanes wg = w * g;
      const Lanes wr = w * r;
      weight += w;
      sum[0] += wb;
      sum[1] += wg;
      sum[2] += wr;
      products[0] += wb * b;
      products[1] += wb * g;
      products[2] += wb * r;
      products[3] += wg * g;
      products[4] += wg * r;
      products[5] += wr * r;
      const Lanes db = b - behind[0];
      const Lanes dg = g - behind[1];
      const Lanes dr = r - behind[2];
      const Lanes apart2 = db * db + dg * dg + dr * dr;
      const Lanes e = apart2 * apart2 * apart2 * (load(kept + u) * load(within_.data() + u));
      extreme_weight += e;
      extreme[0] += e * b;
      extreme[1] += e * g;
      extreme[2] += e * r;
    }
  }
  WindowSums sums;
  sums.weight = total(weight);
  sums.extreme_weight = total(extreme_weight);
  for (std::size_t c = 0; c < 3; ++c) {
    sums.sum[c] = total(sum[c]);
    sums.extreme[c] = total(extreme[c]);
  }
  for (std::size_t k = 0; k < products.size(); ++k) sums.products[k] = total(products[k]);
  return sums;
}

}  // namespace trunnion::mask
