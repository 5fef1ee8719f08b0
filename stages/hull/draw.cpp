#include "stages/hull/draw.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace trunnion::hull {
namespace {

// Twice the signed area of p, q, r.
double turn(const Seen& p, const Seen& q, double u, double v) {
  return (static_cast<double>(q.u) - p.u) * (v - p.v) -
         (static_cast<double>(q.v) - p.v) * (u - p.u);
}

void fill(const Seen& a, const Seen& b, const Seen& c, cv::Mat& image) {
  const auto low = [](float x, float y, float z) {
    return static_cast<int>(std::ceil(std::min({x, y, z})));
  };
  const auto high = [](float x, float y, float z) {
    return static_cast<int>(std::floor(std::max({x, y, z})));
  };
  const int top = std::max(0, low(a.v, b.v, c.v));
  const int bottom = std::min(image.rows - 1, high(a.v, b.v, c.v));
  const int left = std::max(0, low(a.u, b.u, c.u));
  const int right = std::min(image.cols - 1, high(a.u, b.u, c.u));
  for (int v = top; v <= bottom; ++v) {
    for (int u = left; u <= right; ++u) {
      const double s = turn(a, b, u, v);
      const double t = turn(b, c, u, v);
      const double w = turn(c, a, u, v);
      if ((s >= 0 && t >= 0 && w >= 0) || (s <= 0 && t <= 0 && w <= 0)) {
        image.at<std::uint8_t>(v, u) = 255;
      }
    }
  }
}

}  // namespace

Camera resized(const Camera& camera, int width_px, int height_px) {
  Camera result = camera;
  const double sx = static_cast<double>(width_px) / camera.width_px;
  const double sy = static_cast<double>(height_px) / camera.height_px;
  result.width_px = width_px;
  result.height_px = height_px;
  result.fx *= sx;
  result.fy *= sy;
  result.cx = (camera.cx + 0.5) * sx - 0.5;
  result.cy = (camera.cy + 0.5) * sy - 0.5;
  return result;
}

std::vector<Seen> see(const Mesh& mesh, const Camera& camera, const Pose& pose) {
  const bool telecentric = camera.projection == Projection::telecentric;
  std::vector<Seen> seen;
  seen.reserve(mesh.vertices.size());
  for (const Eigen::Vector3f& vertex : mesh.vertices) {
    const Eigen::Vector3d p = pose * vertex.cast<double>();
    const double z = telecentric ? 1.0 : p.z();
    seen.push_back({static_cast<float>(camera.fx * p.x() / z + camera.cx),
                    static_cast<float>(camera.fy * p.y() / z + camera.cy),
                    static_cast<float>(p.z())});
  }
  return seen;
}

cv::Mat depth_of(const std::vector<Seen>& seen, cv::Size size) {
  cv::Mat depth(size, CV_32F, cv::Scalar(std::numeric_limits<float>::infinity()));
  for (const Seen& point : seen) {
    const int u = static_cast<int>(std::lround(point.u));
    const int v = static_cast<int>(std::lround(point.v));
    if (u < 0 || v < 0 || u >= size.width || v >= size.height) continue;
    float& least = depth.at<float>(v, u);
    least = std::min(least, point.depth);
  }
  return depth;
}

cv::Mat draw_outline(const Mesh& mesh, const Camera& camera, const Pose& pose) {
  cv::Mat image = cv::Mat::zeros(camera.height_px, camera.width_px, CV_8U);
  const std::vector<Seen> seen = see(mesh, camera, pose);
  for (const auto& t : mesh.triangles) fill(seen[t[0]], seen[t[1]], seen[t[2]], image);
  return image;
}

}  // namespace trunnion::hull
