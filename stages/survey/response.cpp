#include "stages/survey/response.h"

#include <tbb/parallel_pipeline.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/box_mean.h"
#include "core/median.h"
#include "core/threads.h"
#include "core/vector_code.h"

namespace trunnion::survey {
namespace {

constexpr int kScatterPx = 60;        // within which strengths are compared
constexpr std::size_t kEnough = 200;  // pixels needed to estimate a scatter

// The gradients times their weights, which all diameters are compared with.
struct WeightedGradient {
  cv::Mat x;
  cv::Mat y;
};

TRUNNION_VECTOR_CODE [[gnu::noinline]] void tell_strength(
    const float* __restrict product, std::size_t count, float* __restrict information_to_strength) {
  for (std::size_t x = 0; x < count; ++x) {
    const float found = information_to_strength[x];
    const float information = found > 1e-6F ? found : 1e-6F;
    information_to_strength[x] = std::abs(product[x]) / std::sqrt(information);
  }
}

// Strength of a round speck at every pixel of some rows, CV_32FC1, without sign.
void match_rows(const StaticGradient& field, const WeightedGradient& weighted, double diameter,
                const cv::Range& rows, cv::Mat strength) {
  const Speck shape{{0, 0}, diameter, 0, 0, 0.4, 0, 0, 1};
  // Gradients reach as far as the rim does: half of the diameter and a softness of 0.4 more.
  const int reach = static_cast<int>(std::ceil(0.7 * diameter));
  const int half = static_cast<int>(std::lround(0.5 * diameter));
  const cv::Range seen(std::max(0, rows.start - half), std::min(field.x.rows, rows.end + half));
  cv::Mat product;
  cv::Mat part;
  cv::Mat means;
  for (const bool down : {false, true}) {
    const cv::Mat kernel = gradient_of(shape, reach, down);
    // OpenCV looks beyond the rows of a part itself, the means don't.
    cv::filter2D((down ? weighted.y : weighted.x).rowRange(rows), down ? part : product, CV_32F,
                 -kernel, cv::Point(-1, -1), 0, cv::BORDER_CONSTANT);
    if (down) product += part;
    // Weights vary little over a speck; what passes here is weighed exactly later.
    box_mean((down ? field.weight_y : field.weight_x).rowRange(seen), means, 2 * half + 1,
             cv::BORDER_CONSTANT);
    const cv::Mat here = means.rowRange(rows.start - seen.start, rows.end - seen.start);
    const double norm = cv::norm(kernel, cv::NORM_L2SQR);
    if (down) {
      cv::scaleAdd(here, norm, strength, strength);
    } else {
      here.convertTo(strength, CV_32F, norm);
    }
  }
  for (int y = 0; y < product.rows; ++y) {
    tell_strength(product.ptr<float>(y), static_cast<std::size_t>(product.cols),
                  strength.ptr<float>(y));
  }
}

// Strip by strip: what lies between is needed no longer than that.
cv::Mat match(const StaticGradient& field, const WeightedGradient& weighted, double diameter) {
  constexpr int kStrip = 512;
  cv::Mat strength(field.x.size(), CV_32FC1);
  for (int first = 0; first < strength.rows; first += kStrip) {
    const cv::Range rows(first, std::min(first + kStrip, strength.rows));
    match_rows(field, weighted, diameter, rows, strength.rowRange(rows));
  }
  return strength;
}

// Sigma of values of which most are zero on the average, from their median size.
float sigma_of(std::vector<float>& sizes) {
  if (sizes.size() < kEnough) return 0;
  return 1.4826F * median_in_place(sizes);
}

// The same within kScatterPx of each pixel.
cv::Mat sigma_around(const cv::Mat& strength) {
  constexpr int kShrink = 3;
  constexpr double kScale = 20;  // keeps sigmas of up to 18 in a byte
  cv::Mat small;
  cv::resize(strength, small,
             {std::max(1, strength.cols / kShrink), std::max(1, strength.rows / kShrink)}, 0, 0,
             cv::INTER_NEAREST);
  cv::Mat median;
  small.convertTo(median, CV_8U, kScale);
  cv::medianBlur(median, median, 2 * (kScatterPx / kShrink / 2) + 1);
  cv::resize(median, median, strength.size(), 0, 0, cv::INTER_LINEAR);
  cv::Mat sigma;
  median.convertTo(sigma, CV_32F, 1.4826 / kScale);
  return sigma;
}

// `share`: of texture around each pixel.
cv::Mat scatter_of(const cv::Mat& strength, const cv::Mat& texture, const cv::Mat& share) {
  std::vector<float> busy;
  std::vector<float> calm;
  for (int y = 0; y < strength.rows; y += 2) {
    for (int x = 0; x < strength.cols; x += 2) {
      (texture.at<float>(y, x) > kTextured ? busy : calm).push_back(strength.at<float>(y, x));
    }
  }
  const float in_texture = sigma_of(busy);
  const float in_noise = sigma_of(calm);
  cv::Mat scatter = sigma_around(strength);
  for (int y = 0; y < scatter.rows; ++y) {
    for (int x = 0; x < scatter.cols; ++x) {
      const float w = std::min(1.0F, share.at<float>(y, x) / kTextured);
      const float variance = w * in_texture * in_texture + (1 - w) * in_noise * in_noise;
      float& at = scatter.at<float>(y, x);
      at = std::max({1.0F, at, std::sqrt(variance)});
    }
  }
  return scatter;
}

// Of what lies within some 4 px, from means of 4 x 4.
cv::Mat share_of_texture(const cv::Mat& texture) {
  constexpr int kShrink = 4;
  cv::Mat share;
  cv::resize(texture, share,
             {std::max(1, texture.cols / kShrink), std::max(1, texture.rows / kShrink)}, 0, 0,
             cv::INTER_AREA);
  cv::GaussianBlur(share, share, {0, 0}, 1.0);
  cv::resize(share, share, texture.size(), 0, 0, cv::INTER_LINEAR);
  return share;
}

}  // namespace

void respond(const Level& level, const std::function<void(const Response&)>& take) {
  using tbb::filter_mode;
  std::size_t next = 0;
  const auto begin = [&](tbb::flow_control& control) {
    if (next < level.diameters.size()) return level.diameters[next++];
    control.stop();
    return 0.0;
  };
  const cv::Mat share = share_of_texture(level.field.texture);
  const WeightedGradient weighted{level.field.weight_x.mul(level.field.x),
                                  level.field.weight_y.mul(level.field.y)};
  const auto respond = [&](double diameter) {
    cv::Mat strength = match(level.field, weighted, diameter);
    const cv::Mat scatter = scatter_of(strength, level.field.texture, share);
    strength /= scatter;
    return Response{diameter, strength, scatter};
  };
  tbb::parallel_pipeline(threads_at_once(),
                         tbb::make_filter<void, double>(filter_mode::serial_in_order, begin) &
                             tbb::make_filter<double, Response>(filter_mode::parallel, respond) &
                             tbb::make_filter<Response, void>(filter_mode::serial_in_order, take));
}

}  // namespace trunnion::survey
