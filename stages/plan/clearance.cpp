#include "stages/plan/clearance.h"

#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

namespace trunnion::plan {
namespace {

using Eigen::Vector2d;

double to_line(const Vector2d& p, const Vector2d& a, const Vector2d& b) {
  const Vector2d d = b - a;
  const double length = d.squaredNorm();
  const double t = length > 0 ? std::clamp((p - a).dot(d) / length, 0.0, 1.0) : 0.0;
  return (p - a - t * d).norm();
}

double to_rectangle(const Vector2d& p, const Vector2d& half) {
  return (p.cwiseAbs() - half).cwiseMax(0.0).norm();
}

// Whether a line meets a rectangle about the origin: clipped by its sides (J. Liang, B. Barsky,
// "A new concept and method for line clipping", ACM Transactions on Graphics 3, 1984).
bool meets(const Vector2d& a, const Vector2d& b, const Vector2d& half) {
  double from = 0;
  double to = 1;
  for (int axis = 0; axis < 2; ++axis) {
    const double d = b[axis] - a[axis];
    for (const double sign : {-1.0, 1.0}) {
      const double p = sign * d;
      const double q = half[axis] - sign * a[axis];
      if (p == 0) {
        if (q < 0) return false;
      } else if (p < 0) {
        from = std::max(from, q / p);
      } else {
        to = std::min(to, q / p);
      }
    }
  }
  return from <= to;
}

}  // namespace

double clearance_mm(const LensFront& front, double swept_mm, double height_mm, double elevation,
                    double last_mm) {
  // Across the axis and along it, in the plane of both axes.
  const Vector2d towards(std::cos(elevation), std::sin(elevation));
  const Vector2d across(-towards.y(), towards.x());
  const Vector2d centre = (last_mm + front.free_distance_mm) * towards;
  const Vector2d a = centre - 0.5 * front.diameter_mm * across;
  const Vector2d b = centre + 0.5 * front.diameter_mm * across;
  const Vector2d half(0.5 * swept_mm, 0.5 * height_mm);
  if (meets(a, b, half)) return 0;
  double least = std::min(to_rectangle(a, half), to_rectangle(b, half));
  for (const double x : {-half.x(), half.x()}) {
    for (const double y : {-half.y(), half.y()}) least = std::min(least, to_line({x, y}, a, b));
  }
  return least;
}

std::vector<double> clearances_mm(const CapturePlan& plan, const PlanWish& wish,
                                  const LensFront& front) {
  const double swept = wish.diameter_mm.value_or(std::hypot(wish.width_mm, wish.depth_mm));
  std::vector<double> clearances;
  for (const PlannedRing& ring : plan.rings) {
    double least = std::numeric_limits<double>::infinity();
    for (const PlannedStation& station : ring.stations) {
      const double last = station.first_mm - (station.slices - 1) * plan.chosen.step_mm;
      least = std::min(least, clearance_mm(front, swept, wish.height_mm, ring.elevation, last));
    }
    clearances.push_back(least);
  }
  return clearances;
}

}  // namespace trunnion::plan
