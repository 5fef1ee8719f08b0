// Transmission of one speck from the field of gradients (see speck.h).
#include <cmath>

#include "core/angle.h"
#include "stages/survey/speck.h"

namespace trunnion::survey {
namespace {

constexpr double kShapeModel = 0.15;  // error of the fitted shape's gradients, of their greatest

// A link between two neighbouring pixels of a patch: their difference and its weight.
struct Links {
  cv::Mat x, y, weight_x, weight_y;  // CV_64FC1
};

// What the field shows of the patch, and the fitted shape with its own weight: what is steady over
// the patch, light that falls off, is none of the speck's.
Links links_of(const StaticGradient& field, const Speck& speck, const cv::Rect& patch) {
  Links links;
  for (cv::Mat* map : {&links.x, &links.y, &links.weight_x, &links.weight_y}) {
    *map = cv::Mat::zeros(patch.size(), CV_64FC1);
  }
  const double steepest = std::abs(speck.depth) * 0.75 / (speck.softness * 0.5 * speck.diameter);
  const double model = 1.0 / (kShapeModel * kShapeModel * steepest * steepest + 1e-12);
  const double scatter2 = speck.scatter * speck.scatter;
  for (const bool down : {false, true}) {
    const cv::Mat& slope = down ? field.y : field.x;
    const cv::Mat& trust = down ? field.weight_y : field.weight_x;
    cv::Mat& to = down ? links.y : links.x;
    cv::Mat& weight = down ? links.weight_y : links.weight_x;
    double steady = 0;
    double sum = 0;
    for (const bool settle : {true, false}) {
      for (int v = 0; v < patch.height; ++v) {
        for (int u = 0; u < patch.width; ++u) {
          const int x = patch.x + u;
          const int y = patch.y + v;
          const double p =
              shadow_at(speck, x + (down ? 0 : 1), y + (down ? 1 : 0)) - shadow_at(speck, x, y);
          const double shape = -speck.depth * p;
          const bool inside = cv::Rect({0, 0}, slope.size()).contains({x, y});
          const double w = inside ? trust.at<float>(y, x) / scatter2 : 0.0;
          const double shown = inside ? static_cast<double>(slope.at<float>(y, x)) : 0.0;
          if (settle) {
            steady += w * (shown - shape);
            sum += w;
          } else {
            to.at<double>(v, u) = (w * (shown - steady) + model * shape) / (w + model);
            weight.at<double>(v, u) = w + model;
          }
        }
      }
      if (settle && sum > 0) steady /= sum;
    }
  }
  return links;
}

}  // namespace

cv::Mat transmission_of(const StaticGradient& field, const Speck& speck) {
  const double radius = reach_of(speck) + 1.0;
  const int reach = static_cast<int>(std::ceil(radius)) + 1;
  const cv::Point middle(static_cast<int>(std::lround(speck.centre.x)),
                         static_cast<int>(std::lround(speck.centre.y)));
  const cv::Rect patch(middle.x - reach, middle.y - reach, 2 * reach + 1, 2 * reach + 1);
  const Links links = links_of(field, speck, patch);
  // Least squares for ln T, 0 beyond the speck's reach, by successive over-relaxation.
  cv::Mat log(patch.size(), CV_64FC1);
  cv::Mat free(patch.size(), CV_8U);
  for (int v = 0; v < patch.height; ++v) {
    for (int u = 0; u < patch.width; ++u) {
      const double r = distance_from(speck, patch.x + u, patch.y + v);
      log.at<double>(v, u) = -speck.depth * shadow_at(speck, patch.x + u, patch.y + v);
      const bool rim = u == 0 || v == 0 || u + 1 == patch.width || v + 1 == patch.height;
      free.at<uchar>(v, u) = !rim && r < radius - speck.half_length ? 1 : 0;
    }
  }
  const double relaxation = 2.0 / (1.0 + std::sin(kPi / patch.width));
  for (int round = 0; round < 3 * patch.width; ++round) {
    for (int v = 1; v + 1 < patch.height; ++v) {
      for (int u = 1; u + 1 < patch.width; ++u) {
        if (free.at<uchar>(v, u) == 0) continue;
        const double left = links.weight_x.at<double>(v, u - 1);
        const double right = links.weight_x.at<double>(v, u);
        const double up = links.weight_y.at<double>(v - 1, u);
        const double low = links.weight_y.at<double>(v, u);
        const double wanted = left * (log.at<double>(v, u - 1) + links.x.at<double>(v, u - 1)) +
                              right * (log.at<double>(v, u + 1) - links.x.at<double>(v, u)) +
                              up * (log.at<double>(v - 1, u) + links.y.at<double>(v - 1, u)) +
                              low * (log.at<double>(v + 1, u) - links.y.at<double>(v, u));
        double& at = log.at<double>(v, u);
        at += relaxation * (wanted / (left + right + up + low) - at);
      }
    }
  }
  cv::exp(log, log);
  cv::Mat transmission;
  log.convertTo(transmission, CV_32F);
  return transmission;
}

}  // namespace trunnion::survey
