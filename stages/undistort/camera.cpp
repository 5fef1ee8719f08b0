// The new camera: its size and principal point.
#include <algorithm>
#include <cmath>
#include <vector>

#include "stages/undistort/undistort.h"

namespace trunnion::undistort {
namespace {

// All coordinates here are px of the new image relative to the principal point.
struct Rectangle {
  double left = 0;
  double right = 0;
  double top = 0;
  double bottom = 0;
};

// Places of the source's outermost pixel centres.
std::vector<Eigen::Vector2d> border(const Camera& source) {
  std::vector<Eigen::Vector2d> points;
  const auto add = [&](double u, double v) {
    const Eigen::Vector2d ideal = normalise(source, {u, v});
    if (ideal.allFinite()) points.emplace_back(source.fx * ideal.x(), source.fy * ideal.y());
  };
  for (int u = 0; u < source.width_px; ++u) {
    add(u, 0);
    add(u, source.height_px - 1);
  }
  for (int v = 0; v < source.height_px; ++v) {
    add(0, v);
    add(source.width_px - 1, v);
  }
  return points;
}

Rectangle around(const std::vector<Eigen::Vector2d>& points) {
  Rectangle bounds{1e300, -1e300, 1e300, -1e300};
  for (const Eigen::Vector2d& p : points) {
    bounds = {std::min(bounds.left, p.x()), std::max(bounds.right, p.x()),
              std::min(bounds.top, p.y()), std::max(bounds.bottom, p.y())};
  }
  return bounds;
}

bool has_source(const Camera& source, double x, double y) {
  const Eigen::Vector2d ideal(x / source.fx, y / source.fy);
  if (!(distort_jacobian(source, ideal).determinant() > 0.0)) return false;
  const Eigen::Vector2d distorted = distort(source, ideal);
  const double u = source.fx * distorted.x() + source.cx;
  const double v = source.fy * distorted.y() + source.cy;
  return u >= 0 && v >= 0 && u <= source.width_px - 1 && v <= source.height_px - 1;
}

// How far a row reaches from the principal point in one direction while it has a source; 0 where
// even its middle has none.
double reach(const Camera& source, double y, double limit) {
  if (!has_source(source, 0, y)) return 0;
  double inside = 0;
  double outside = limit;
  for (int i = 0; i < 48; ++i) {
    const double middle = 0.5 * (inside + outside);
    (has_source(source, middle, y) ? inside : outside) = middle;
  }
  return inside;
}

// The largest rectangle that has a source throughout: rows a fraction of the height apart, every
// pair of them as top and bottom.
Rectangle inscribed(const Camera& source, const Rectangle& bounds, bool centred) {
  constexpr int kRows = 384;
  struct Row {
    double y, left, right;
  };
  std::vector<Row> rows;
  const double high = std::max(-bounds.top, bounds.bottom);
  for (int i = -kRows / 2; i <= kRows / 2; ++i) {
    const double y = high * i / (kRows / 2);
    rows.push_back({y, reach(source, y, bounds.left), reach(source, y, bounds.right)});
  }
  Rectangle best;
  double largest = 0;
  const auto consider = [&](double left, double right, double top, double bottom) {
    if (centred) {
      right = std::min(-left, right);
      left = -right;
    }
    const double area = (right - left) * (bottom - top);
    if (area > largest) {
      largest = area;
      best = {left, right, top, bottom};
    }
  };
  for (std::size_t first = 0; first < rows.size(); ++first) {
    double left = bounds.left;
    double right = bounds.right;
    for (std::size_t last = first; last < rows.size(); ++last) {
      left = std::max(left, rows[last].left);
      right = std::min(right, rows[last].right);
      if (!centred || first + last + 1 == rows.size()) {
        consider(left, right, rows[first].y, rows[last].y);
      }
    }
  }
  return best;
}

void set_side(bool centred, bool shrink, double low, double high, int& size, double& centre) {
  if (centred) {
    const double half = shrink ? std::min(-low, high) : std::max(-low, high);
    size = static_cast<int>(shrink ? std::floor(2 * half) : std::ceil(2 * half)) + 1;
    centre = 0.5 * (size - 1);
    return;
  }
  // Whole pixels from the source's principal point, so that the grid stays where it was.
  const double first = shrink ? std::ceil(low + centre) : std::floor(low + centre);
  const double last = shrink ? std::floor(high + centre) : std::ceil(high + centre);
  size = static_cast<int>(last - first) + 1;
  centre -= first;
}

// Between the rows examined the border may come in a little: trim until every border pixel has
// its source.
void trim(const Camera& source, Camera& camera) {
  const auto bad_column = [&](int u) {
    for (int v = 0; v < camera.height_px; ++v) {
      if (!has_source(source, u - camera.cx, v - camera.cy)) return true;
    }
    return false;
  };
  const auto bad_row = [&](int v) {
    for (int u = 0; u < camera.width_px; ++u) {
      if (!has_source(source, u - camera.cx, v - camera.cy)) return true;
    }
    return false;
  };
  for (int pass = 0; pass < 16 && camera.width_px > 4 && camera.height_px > 4; ++pass) {
    const bool columns = bad_column(1) || bad_column(camera.width_px - 2);
    const bool rows = bad_row(1) || bad_row(camera.height_px - 2);
    const bool outer = bad_column(0) || bad_column(camera.width_px - 1) || bad_row(0) ||
                       bad_row(camera.height_px - 1);
    if (!outer) return;
    if (columns || !rows) {
      camera.width_px -= 2;
      camera.cx -= 1;
    }
    if (rows || !columns) {
      camera.height_px -= 2;
      camera.cy -= 1;
    }
  }
}

}  // namespace

Camera undistorted_camera(const Camera& source, const UndistortSettings& settings) {
  if (!settings.enabled) return source;
  Camera camera = ideal(source);
  const bool centred = settings.centre_principal_point;
  if (settings.size == NewCameraSize::same || !source.distorts()) {
    if (!centred) return camera;
    if (settings.size == NewCameraSize::same) {
      camera.cx = 0.5 * (camera.width_px - 1);
      camera.cy = 0.5 * (camera.height_px - 1);
      return camera;
    }
  }
  const bool shrink = settings.size == NewCameraSize::valid;
  Rectangle rectangle = around(border(source));
  if (shrink) rectangle = inscribed(source, rectangle, centred);
  set_side(centred, shrink, rectangle.left, rectangle.right, camera.width_px, camera.cx);
  set_side(centred, shrink, rectangle.top, rectangle.bottom, camera.height_px, camera.cy);
  if (shrink) trim(source, camera);
  return camera;
}

}  // namespace trunnion::undistort
