#include "stages/undistort.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace {

// Bounds of the border of the source image in the undistorted image plane: the largest rectangle
// inside (valid) or the smallest around it (all).
cv::Rect2d border_bounds(const Camera& source, bool inside) {
  double left = inside ? -1e300 : 1e300;
  double right = -left;
  double top = left;
  double bottom = -left;
  const auto widen = [&](double& bound, double value, bool upper) {
    bound = (upper == inside) ? std::min(bound, value) : std::max(bound, value);
  };
  const auto at = [&](double u, double v) {
    const Eigen::Vector2d ideal = normalise(source, {u, v});
    return Eigen::Vector2d(source.fx * ideal.x() + source.cx, source.fy * ideal.y() + source.cy);
  };
  constexpr int kSteps = 200;
  for (int i = 0; i <= kSteps; ++i) {
    const double u = (source.width_px - 1) * static_cast<double>(i) / kSteps;
    const double v = (source.height_px - 1) * static_cast<double>(i) / kSteps;
    widen(left, at(0, v).x(), false);
    widen(right, at(source.width_px - 1, v).x(), true);
    widen(top, at(u, 0).y(), false);
    widen(bottom, at(u, source.height_px - 1).y(), true);
  }
  return {left, top, right - left, bottom - top};
}

}  // namespace

Camera undistorted_camera(const Camera& source, const UndistortSettings& settings) {
  if (!settings.enabled) return source;
  Camera camera = ideal(source);
  if (settings.size != NewCameraSize::same) {
    const cv::Rect2d bounds = border_bounds(source, settings.size == NewCameraSize::valid);
    if (std::isfinite(bounds.width) && std::isfinite(bounds.height) && bounds.width > 1 &&
        bounds.height > 1) {
      const bool shrink = settings.size == NewCameraSize::valid;
      const double left = shrink ? std::ceil(bounds.x) : std::floor(bounds.x);
      const double top = shrink ? std::ceil(bounds.y) : std::floor(bounds.y);
      const double right = bounds.x + bounds.width;
      const double bottom = bounds.y + bounds.height;
      camera.cx -= left;
      camera.cy -= top;
      camera.width_px =
          static_cast<int>((shrink ? std::floor(right) : std::ceil(right)) - left) + 1;
      camera.height_px =
          static_cast<int>((shrink ? std::floor(bottom) : std::ceil(bottom)) - top) + 1;
    }
  }
  if (settings.centre_principal_point) {
    camera.cx = 0.5 * (camera.width_px - 1);
    camera.cy = 0.5 * (camera.height_px - 1);
  }
  return camera;
}

UndistortMap undistort_map(const Camera& source, const UndistortSettings& settings) {
  UndistortMap map;
  map.from = source;
  map.to = undistorted_camera(source, settings);
  map.identity = map.from == map.to;
  if (map.identity) return map;
  map.x.create(map.to.height_px, map.to.width_px, CV_32FC1);
  map.y.create(map.to.height_px, map.to.width_px, CV_32FC1);
  for (int row = 0; row < map.to.height_px; ++row) {
    auto* x = map.x.ptr<float>(row);
    auto* y = map.y.ptr<float>(row);
    for (int column = 0; column < map.to.width_px; ++column) {
      const Eigen::Vector2d from = to_source(map, {column, row});
      x[column] = static_cast<float>(from.x());
      y[column] = static_cast<float>(from.y());
    }
  }
  return map;
}

cv::Mat undistort_image(const cv::Mat& image, const UndistortMap& map,
                        Interpolation interpolation) {
  if (map.identity) return image;
  cv::Mat result;
  cv::remap(image, result, map.x, map.y,
            interpolation == Interpolation::cubic ? cv::INTER_CUBIC : cv::INTER_LANCZOS4,
            cv::BORDER_CONSTANT, cv::Scalar::all(0));
  return result;
}

cv::Mat undistort_mask(const cv::Mat& coverage, const UndistortMap& map) {
  if (map.identity) return coverage;
  cv::Mat result;
  cv::remap(coverage, result, map.x, map.y, cv::INTER_LINEAR, cv::BORDER_CONSTANT,
            cv::Scalar::all(0));
  return result;
}

Eigen::Vector2d to_source(const UndistortMap& map, const Eigen::Vector2d& new_px) {
  const Eigen::Vector2d ideal((new_px.x() - map.to.cx) / map.to.fx,
                              (new_px.y() - map.to.cy) / map.to.fy);
  const Eigen::Vector2d distorted = distort(map.from, ideal);
  return {map.from.fx * distorted.x() + map.from.cx, map.from.fy * distorted.y() + map.from.cy};
}

Eigen::Vector2d from_source(const UndistortMap& map, const Eigen::Vector2d& source_px) {
  const Eigen::Vector2d ideal = normalise(map.from, source_px);
  return {map.to.fx * ideal.x() + map.to.cx, map.to.fy * ideal.y() + map.to.cy};
}

}  // namespace trunnion
