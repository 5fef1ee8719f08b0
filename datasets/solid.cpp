#include "datasets/solid.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace trunnion::demo {
namespace {

using Eigen::Matrix3d;
using Eigen::Vector3d;

struct Span {
  double enter = std::numeric_limits<double>::infinity();
  double leave = -std::numeric_limits<double>::infinity();
  [[nodiscard]] bool empty() const { return !(enter < leave); }
};

Matrix3d unit_map(const Vector3d& radii, const Matrix3d& world_from_local) {
  return radii.cwiseInverse().asDiagonal() * world_from_local.transpose();
}

Span ellipsoid_span(const Matrix3d& map, const Vector3d& centre, const Ray& ray) {
  const Vector3d o = map * (ray.origin - centre);
  const Vector3d d = map * ray.direction;
  // Foot of the perpendicular first: keeps digits when the camera is far from a small body.
  const double dd = d.squaredNorm();
  const double foot = -o.dot(d) / dd;
  const double gap = 1.0 - (o + foot * d).squaredNorm();
  if (gap <= 0.0) return {};
  const double half = std::sqrt(gap / dd);
  return {foot - half, foot + half};
}

void offer(Hit& hit, double t, double t_min, int index, bool cavity) {
  if (t > t_min && t < hit.t) hit = {t, index, cavity};
}

void intersect_carved(const Solid& solid, int index, const Ray& ray, double t_min, Hit& hit) {
  const Span body = ellipsoid_span(solid.unit_from_world, solid.a, ray);
  if (body.empty()) return;
  const Span cavity = ellipsoid_span(solid.cavity_from_world, solid.b, ray);
  const auto carved_away = [&cavity](double t) {
    return !cavity.empty() && t > cavity.enter && t < cavity.leave;
  };
  if (!carved_away(body.enter)) offer(hit, body.enter, t_min, index, false);
  // Leaving the cavity inside the body is entering what is left of it.
  if (!cavity.empty() && cavity.leave > body.enter && cavity.leave < body.leave) {
    offer(hit, cavity.leave, t_min, index, true);
  }
}

// With q = x - a, axis w of length L from a to b and s = radius_a - radius_b, the cone that touches
// both spheres is (with k = L^2 - s^2)  k |q|^2 = (w.q)^2 - 2 s ra (w.q) + L^2 ra^2 , a quadratic
// in t; it counts between the circles of contact, 0 < w.q - ra s + ... < k. Spheres close the ends.
void intersect_round_cone(const Solid& solid, int index, const Ray& ray, double t_min, Hit& hit) {
  const Vector3d w = solid.b - solid.a;
  const double ww = w.squaredNorm();
  // Shift the start to the foot near the solid: differences of large squares lose digits.
  const double shift = (solid.a - ray.origin).dot(ray.direction);
  const Vector3d q = ray.origin + shift * ray.direction - solid.a;
  const Vector3d p = q - w;
  const double ra = solid.radius_a;
  const double rb = solid.radius_b;
  const double s = ra - rb;
  const double wd = w.dot(ray.direction);
  const double wq = w.dot(q);
  const double qd = q.dot(ray.direction);
  const double pd = p.dot(ray.direction);
  const double k = ww - s * s;

  const double end_a = qd * qd - q.squaredNorm() + ra * ra;
  const double end_b = pd * pd - p.squaredNorm() + rb * rb;
  if (end_a > 0.0) offer(hit, shift - qd - std::sqrt(end_a), t_min, index, false);
  if (end_b > 0.0) offer(hit, shift - pd - std::sqrt(end_b), t_min, index, false);
  if (k <= 0.0) return;  // one sphere holds the other
  const double c2 = k - wd * wd;
  const double c1 = k * qd - wq * wd + wd * s * ra;
  const double c0 = k * q.squaredNorm() - wq * wq + 2.0 * wq * s * ra - ww * ra * ra;
  const double h = c1 * c1 - c2 * c0;
  if (h < 0.0 || c2 == 0.0) return;
  const double root = std::sqrt(h);
  for (const double t : {(-c1 - root) / c2, (-c1 + root) / c2}) {
    const double along = wq - ra * s + t * wd;
    if (along > 0.0 && along < k) offer(hit, shift + t, t_min, index, false);
  }
}

}  // namespace

Solid ellipsoid(Part part, const Vector3d& centre, const Vector3d& radii,
                const Matrix3d& world_from_local) {
  Solid solid;
  solid.part = part;
  solid.a = centre;
  solid.unit_from_world = unit_map(radii, world_from_local);
  solid.half_box = (world_from_local * radii.asDiagonal()).rowwise().norm();
  return solid;
}

Solid carved(const Solid& body, const Vector3d& centre, const Vector3d& radii,
             const Matrix3d& world_from_local) {
  Solid solid = body;
  solid.shape = Solid::Shape::carved_ellipsoid;
  solid.b = centre;
  solid.cavity_from_world = unit_map(radii, world_from_local);
  return solid;
}

Solid round_cone(Part part, const Vector3d& a, double radius_a, const Vector3d& b,
                 double radius_b) {
  Solid solid;
  solid.shape = Solid::Shape::round_cone;
  solid.part = part;
  solid.a = a;
  solid.b = b;
  solid.radius_a = radius_a;
  solid.radius_b = radius_b;
  return solid;
}

Box box_of(const Solid& solid) {
  if (solid.shape != Solid::Shape::round_cone) {
    return {solid.a - solid.half_box, solid.a + solid.half_box};
  }
  const Vector3d ra = Vector3d::Constant(solid.radius_a);
  const Vector3d rb = Vector3d::Constant(solid.radius_b);
  return {(solid.a - ra).cwiseMin(solid.b - rb), (solid.a + ra).cwiseMax(solid.b + rb)};
}

void intersect(const Solid& solid, int index, const Ray& ray, double t_min, Hit& hit) {
  switch (solid.shape) {
    case Solid::Shape::ellipsoid: {
      const Span span = ellipsoid_span(solid.unit_from_world, solid.a, ray);
      if (!span.empty()) offer(hit, span.enter, t_min, index, false);
      return;
    }
    case Solid::Shape::carved_ellipsoid:
      intersect_carved(solid, index, ray, t_min, hit);
      return;
    case Solid::Shape::round_cone:
      intersect_round_cone(solid, index, ray, t_min, hit);
      return;
  }
}

Vector3d normal_at(const Solid& solid, const Vector3d& point, bool cavity) {
  if (cavity) {
    const Matrix3d& map = solid.cavity_from_world;
    return -(map.transpose() * (map * (point - solid.b))).normalized();
  }
  if (solid.shape != Solid::Shape::round_cone) {
    const Matrix3d& map = solid.unit_from_world;
    return (map.transpose() * (map * (point - solid.a))).normalized();
  }
  // On the cone the normal points away from the sphere of the family that touches there.
  const Vector3d w = solid.b - solid.a;
  const Vector3d q = point - solid.a;
  const double s = solid.radius_a - solid.radius_b;
  const double k = w.squaredNorm() - s * s;
  const double along = k > 0.0 ? (w.dot(q) - solid.radius_a * s) / k : (s > 0.0 ? 0.0 : 1.0);
  return (q - std::clamp(along, 0.0, 1.0) * w).normalized();
}

SolidTree::SolidTree(const std::vector<Solid>& solids) : solids_(solids) {
  for (std::size_t i = 0; i < solids_.size(); ++i) {
    boxes_.push_back(box_of(solids_[i]));
    order_.push_back(static_cast<int>(i));
  }
  if (!order_.empty()) build(0, static_cast<int>(order_.size()));
}

int SolidTree::build(int first, int count) {
  Node node;
  node.first = first;
  node.count = count;
  const auto box = [this](int i) -> const Box& {
    return boxes_[static_cast<std::size_t>(order_[static_cast<std::size_t>(i)])];
  };
  node.box = box(first);
  for (int i = first + 1; i < first + count; ++i) {
    node.box.low = node.box.low.cwiseMin(box(i).low);
    node.box.high = node.box.high.cwiseMax(box(i).high);
  }
  const int index = static_cast<int>(nodes_.size());
  nodes_.push_back(node);
  if (count <= 2) return index;
  Eigen::Index axis = 0;
  (node.box.high - node.box.low).maxCoeff(&axis);
  const auto middle = [this, axis](int solid) {
    const Box& b = boxes_[static_cast<std::size_t>(solid)];
    return b.low[axis] + b.high[axis];
  };
  std::sort(order_.begin() + first, order_.begin() + first + count, [&middle](int i, int j) {
    return middle(i) < middle(j) || (middle(i) == middle(j) && i < j);
  });
  const int left = build(first, count / 2);
  const int right = build(first + count / 2, count - count / 2);
  nodes_[static_cast<std::size_t>(index)].left = left;
  nodes_[static_cast<std::size_t>(index)].right = right;
  return index;
}

// Visits the solids whose boxes the ray passes; `visit` returns the new farthest t of interest.
template <typename Visit>
void SolidTree::walk(const Ray& ray, double t_max, Visit visit) const {
  if (nodes_.empty()) return;
  const Vector3d inverse = ray.direction.cwiseInverse();
  std::array<int, 64> stack{};
  std::size_t depth = 1;
  while (depth > 0) {
    const Node& node = nodes_[static_cast<std::size_t>(stack[--depth])];
    const Eigen::Array3d near = (node.box.low - ray.origin).cwiseProduct(inverse);
    const Eigen::Array3d far = (node.box.high - ray.origin).cwiseProduct(inverse);
    const double enter = near.min(far).maxCoeff();
    const double leave = near.max(far).minCoeff();
    if (!(enter <= leave) || leave <= 0.0 || enter >= t_max) continue;
    if (node.left < 0) {
      for (int i = node.first; i < node.first + node.count; ++i) {
        t_max = visit(order_[static_cast<std::size_t>(i)]);
      }
    } else {
      stack[depth++] = node.left;
      stack[depth++] = node.right;
    }
  }
}

Hit SolidTree::first_hit(const Ray& ray, double t_min) const {
  Hit hit;
  walk(ray, hit.t, [&](int solid) {
    intersect(solids_[static_cast<std::size_t>(solid)], solid, ray, t_min, hit);
    return hit.t;
  });
  return hit;
}

bool SolidTree::blocked(const Ray& ray, double t_min, double t_max) const {
  Hit hit;
  hit.t = t_max;
  walk(ray, t_max, [&](int solid) {
    intersect(solids_[static_cast<std::size_t>(solid)], solid, ray, t_min, hit);
    return hit.any() ? 0.0 : t_max;
  });
  return hit.any();
}

}  // namespace trunnion::demo
