#include "stages/edge_spread/edge_spread.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <vector>

#include "core/error.h"

namespace trunnion::edge_spread {
namespace {

constexpr double kBandPx = 3;          // from the mask's outline, where edges are looked for
constexpr double kReachPx = 14;        // of a profile to each side
constexpr double kStepPx = 0.5;        // between its samples
constexpr double kMaxSigmaPx = 4.0;    // wider ones do not end within the reach
constexpr double kMaxResidual = 0.03;  // RMS, of the step
constexpr float kLeastSlope = 0.004F;  // of full scale a pixel: weaker ones are noise
constexpr double kQuantile = 0.4;
constexpr std::size_t kMostEdges = 4000;
constexpr double kRayleighSigmas = 0.61 / 0.225;

// Channels in the weights of a colour filter: green carries most of the detail.
cv::Mat light_of(const cv::Mat& image, const std::vector<float>& light) {
  const int channels = image.channels();
  cv::Mat result(image.size(), CV_32F);
  for (int y = 0; y < image.rows; ++y) {
    const auto value = [&](int x, int c) {
      const auto at = static_cast<std::size_t>(x * channels + c);
      return light[image.depth() == CV_8U
                       ? static_cast<std::size_t>(image.ptr<std::uint8_t>(y)[at]) * 257U
                       : static_cast<std::size_t>(image.ptr<std::uint16_t>(y)[at])];
    };
    for (int x = 0; x < image.cols; ++x) {
      result.at<float>(y, x) =
          channels < 3 ? value(x, 0) : 0.25F * (value(x, 0) + value(x, 2)) + 0.5F * value(x, 1);
    }
  }
  return result;
}

struct Edge {
  cv::Point2d at;
  cv::Point2d normal;
};

// Steepest places across the outline, where the slope is a maximum along its own direction.
std::vector<Edge> edges_of(const cv::Mat& light, const cv::Mat& coverage) {
  cv::Mat smooth;
  cv::GaussianBlur(light, smooth, {}, 1.0);
  cv::Mat dx;
  cv::Mat dy;
  cv::Sobel(smooth, dx, CV_32F, 1, 0, 1, 0.5);
  cv::Sobel(smooth, dy, CV_32F, 0, 1, 1, 0.5);
  cv::Mat slope;
  cv::magnitude(dx, dy, slope);
  const cv::Mat inside = coverage > 127;
  const int side = 2 * static_cast<int>(kBandPx) + 1;
  const cv::Mat disc = cv::getStructuringElement(cv::MORPH_ELLIPSE, {side, side});
  cv::Mat wide;
  cv::Mat narrow;
  cv::dilate(inside, wide, disc);
  cv::erode(inside, narrow, disc);
  const cv::Mat band = wide & ~narrow;
  std::vector<Edge> edges;
  const int margin = static_cast<int>(kReachPx) + 2;
  for (int y = margin; y < light.rows - margin; ++y) {
    for (int x = margin; x < light.cols - margin; ++x) {
      const float here = slope.at<float>(y, x);
      if (band.at<std::uint8_t>(y, x) == 0 || here < kLeastSlope) continue;
      const cv::Point2d normal(dx.at<float>(y, x) / here, dy.at<float>(y, x) / here);
      const int sx = static_cast<int>(std::lround(normal.x));
      const int sy = static_cast<int>(std::lround(normal.y));
      if (slope.at<float>(y + sy, x + sx) > here || slope.at<float>(y - sy, x - sx) >= here)
        continue;
      edges.push_back({{static_cast<double>(x), static_cast<double>(y)}, normal});
    }
  }
  return edges;
}

double phi(double t) {
  return 0.5 * std::erfc(-t / std::numbers::sqrt2);
}

// Cubic convolution (R. G. Keys, IEEE Trans. ASSP 29 (1981) 1153), a = -1/2.
double cubic(const cv::Mat& light, double x, double y) {
  const int x0 = static_cast<int>(std::floor(x));
  const int y0 = static_cast<int>(std::floor(y));
  const auto weights = [](double f) {
    constexpr double a = -0.5;
    const auto near = [](double d) { return ((a + 2) * d - (a + 3)) * d * d + 1; };
    const auto far = [](double d) { return ((a * d - 5 * a) * d + 8 * a) * d - 4 * a; };
    return std::array<double, 4>{far(1 + f), near(f), near(1 - f), far(2 - f)};
  };
  const auto wx = weights(x - x0);
  const auto wy = weights(y - y0);
  double sum = 0;
  for (int j = 0; j < 4; ++j) {
    double row = 0;
    for (int i = 0; i < 4; ++i) {
      row += wx[static_cast<std::size_t>(i)] *
             static_cast<double>(light.at<float>(y0 - 1 + j, x0 - 1 + i));
    }
    sum += wy[static_cast<std::size_t>(j)] * row;
  }
  return sum;
}

// Level, step, place and sigma of the step that fits the samples within 3 sigma + 2 px.
struct Step {
  double level = 0;
  double step = 0;
  double place = 0;
  double sigma = 1;
  double residual = 1;  // RMS over the step
};

std::optional<Step> fit(const cv::Mat& light, const Edge& edge) {
  Step step;
  const auto sample = [&](double t) {
    return cubic(light, edge.at.x + t * edge.normal.x, edge.at.y + t * edge.normal.y);
  };
  for (int round = 0; round < 12; ++round) {
    const double reach = 3.0 * step.sigma + 2.0;
    if (step.sigma > kMaxSigmaPx || reach > kReachPx) return std::nullopt;
    Eigen::Matrix4d normal = Eigen::Matrix4d::Zero();
    Eigen::Vector4d right = Eigen::Vector4d::Zero();
    double squares = 0;
    int count = 0;
    if (round == 0) {
      step.level = sample(-reach);
      step.step = sample(reach) - step.level;
      if (step.step <= 0) return std::nullopt;
    }
    for (double t = -reach; t <= reach + 1e-9; t += kStepPx) {
      const double u = (t - step.place) / step.sigma;
      const double p = phi(u);
      const double g = std::exp(-0.5 * u * u) / std::sqrt(2.0 * std::numbers::pi) / step.sigma;
      const double r = sample(t) - step.level - step.step * p;
      const Eigen::Vector4d j(1, p, -step.step * g, -step.step * g * u);
      normal += j * j.transpose();
      right += j * r;
      squares += r * r;
      ++count;
    }
    const Eigen::Vector4d change = normal.ldlt().solve(right);
    if (!change.allFinite()) return std::nullopt;
    step.residual = std::sqrt(squares / count) / std::max(1e-9, step.step);
    if (round > 4 && change.tail<2>().norm() < 1e-3) break;
    step.level += change[0];
    step.step += change[1];
    step.place += std::clamp(change[2], -0.5, 0.5);
    step.sigma = std::clamp(step.sigma + std::clamp(change[3], -0.5, 0.5), 0.2, 2 * kMaxSigmaPx);
    if (step.step <= 0 || std::abs(step.place) > 2) return std::nullopt;
  }
  return step;
}

}  // namespace

EdgeSpread measure_edge_spread(const cv::Mat& image, const cv::Mat& coverage,
                               const std::vector<float>& light) {
  const bool depth = image.depth() == CV_8U || image.depth() == CV_16U;
  if (!depth || image.channels() == 2 || image.channels() > 4 || coverage.type() != CV_8UC1 ||
      coverage.size() != image.size() || light.size() != 65536) {
    throw data_error(
        "Edge spread needs an image of 8 or 16 bit, 1, 3 or 4 channels, and a mask of its size.");
  }
  EdgeSpread result;
  constexpr int kMargin = static_cast<int>(kReachPx) + 8;
  cv::Rect box = cv::boundingRect(coverage > 127);
  if (box.empty()) return result;
  box = cv::Rect(box.x - kMargin, box.y - kMargin, box.width + 2 * kMargin,
                 box.height + 2 * kMargin) &
        cv::Rect({0, 0}, image.size());
  const cv::Mat seen = light_of(image(box), light);
  const std::vector<Edge> edges = edges_of(seen, coverage(box));
  const std::size_t every = edges.size() / kMostEdges + 1;
  std::vector<double> sigmas;
  for (std::size_t i = 0; i < edges.size(); i += every) {
    const auto step = fit(seen, edges[i]);
    if (step && step->residual < kMaxResidual) sigmas.push_back(step->sigma);
  }
  result.edges = sigmas.size();
  if (sigmas.size() < kMinEdges) return result;
  const auto at = sigmas.begin() +
                  static_cast<std::ptrdiff_t>(kQuantile * static_cast<double>(sigmas.size() - 1));
  std::nth_element(sigmas.begin(), at, sigmas.end());
  result.sigma_px = std::sqrt(std::max(0.0, *at * *at - 1.0 / 12.0));
  return result;
}

double detail_px(double sigma_px) {
  return std::hypot(kRayleighSigmas * sigma_px, 2.0);
}

}  // namespace trunnion::edge_spread
