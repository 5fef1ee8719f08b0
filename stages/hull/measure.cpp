#include "stages/hull/measure.h"

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <limits>

#include "core/angle.h"

namespace trunnion::hull {
namespace {

// A camera that looks along the end's tangent plane to within this sees it from the side: a round
// end of radius r is then met to within r (1 / cos - 1), 1.5 % of r.
constexpr double kFromTheSide = radians(10.0);
constexpr int kDirections = 180;  // across the axis
// px of the reduced masks: an end so near to the frame's edge lies on it.
constexpr float kAtFrame_px = 3.0F;

struct Ends {
  std::size_t low = 0;  // vertices
  std::size_t high = 0;
  double length = 0;
};

Ends ends_of(const Mesh& mesh, const Eigen::Vector3d& direction) {
  const Eigen::Vector3f along = direction.cast<float>();
  Ends ends;
  float low = std::numeric_limits<float>::infinity();
  float high = -low;
  for (std::size_t k = 0; k < mesh.vertices.size(); ++k) {
    const float t = mesh.vertices[k].dot(along);
    if (t < low) {
      low = t;
      ends.low = k;
    }
    if (t > high) {
      high = t;
      ends.high = k;
    }
  }
  ends.length = static_cast<double>(high) - low;
  return ends;
}

Eigen::Vector3d view_direction(const HullView& view, const Eigen::Vector3d& world) {
  if (view.camera.projection == Projection::telecentric) return view.pose.R.row(2).transpose();
  return (world - view.pose.centre_mm()).normalized();
}

// How far a point moves along `direction` with the pose that sees it, mm, 1 sigma.
double pose_sigma(const HullView& view, const Eigen::Vector3d& world,
                  const Eigen::Vector3d& direction) {
  // x_camera changes by w x x_camera, the centre by its own shift (core/pose.h).
  Eigen::Matrix<double, 1, 6> by;
  by.head<3>() = -(view.pose.R * direction).transpose() * cross_matrix(view.pose * world);
  by.tail<3>() = direction.transpose();
  return std::sqrt(std::max(0.0, (by * view.covariance * by.transpose()).value()));
}

struct End {
  double sigma = 0;
  bool unseen = true;
  bool cut = false;
};

End end_of(const std::vector<HullView>& views, const std::vector<Field>& fields,
           const Eigen::Vector3d& world, const Eigen::Vector3d& direction, double outline_mm) {
  End end;
  double least = 1.0;
  std::size_t near_edge = 0;
  for (std::size_t k = 0; k < fields.size(); ++k) {
    if (fields[k].box.empty()) continue;
    const Eigen::Vector3d p = fields[k].pixel_from_world * world.homogeneous();
    const float frame = fields[k].inside_frame(static_cast<float>(p.x() / p.z()),
                                               static_cast<float>(p.y() / p.z()));
    if (frame < kAtFrame_px) {
      ++near_edge;
      continue;
    }
    const double slope = std::abs(view_direction(views[k], world).dot(direction));
    if (slope >= least) continue;
    least = slope;
    end.sigma = std::hypot(outline_mm, pose_sigma(views[k], world, direction));
  }
  end.unseen = least > std::sin(kFromTheSide);
  end.cut = 2 * near_edge >= fields.size();
  return end;
}

// Of the distance: what all lengths share.
double scale_sigma(const std::vector<HullView>& views) {
  double sum = 0;
  for (const HullView& view : views) {
    if (view.camera.projection == Projection::telecentric) continue;
    const Eigen::Vector3d centre = view.pose.centre_mm();
    const Eigen::Vector3d out = centre.normalized();
    const double variance = out.dot(view.covariance.bottomRightCorner<3, 3>() * out);
    sum += std::max(0.0, variance) / centre.squaredNorm();
  }
  return std::sqrt(sum / static_cast<double>(std::max<std::size_t>(1, views.size())));
}

Extent extent_of(const std::vector<HullView>& views, const std::vector<Field>& fields,
                 const Hull& hull, const Eigen::Vector3d& direction) {
  const Ends ends = ends_of(hull.mesh, direction);
  const double outline_mm = hull.measures.outline_px * hull.measures.pixel_mm;
  Extent extent;
  extent.direction = direction;
  extent.length_mm = ends.length;
  double variance = std::pow(hull.measures.scale_sigma * ends.length, 2);
  for (const std::size_t vertex : {ends.low, ends.high}) {
    const End end =
        end_of(views, fields, hull.mesh.vertices[vertex].cast<double>(), direction, outline_mm);
    variance += end.sigma * end.sigma;
    extent.upper_bound = extent.upper_bound || end.unseen;
    extent.cut = extent.cut || end.cut;
  }
  extent.sigma_mm = std::sqrt(variance);
  return extent;
}

Eigen::Vector3d widest(const Mesh& mesh) {
  Eigen::Vector3d best = Eigen::Vector3d::UnitX();
  double length = 0;
  for (int k = 0; k < kDirections; ++k) {
    const double angle = kPi * k / kDirections;
    const Eigen::Vector3d direction(std::cos(angle), std::sin(angle), 0);
    const double found = ends_of(mesh, direction).length;
    if (found > length) {
      length = found;
      best = direction;
    }
  }
  return best;
}

// Divergence theorem, about the mesh's first vertex.
void add_amounts(const Mesh& mesh, Measures& measures) {
  const Eigen::Vector3d origin = mesh.vertices.front().cast<double>();
  for (const auto& t : mesh.triangles) {
    const Eigen::Vector3d a = mesh.vertices[t[0]].cast<double>() - origin;
    const Eigen::Vector3d b = mesh.vertices[t[1]].cast<double>() - origin;
    const Eigen::Vector3d c = mesh.vertices[t[2]].cast<double>() - origin;
    measures.volume.value += a.dot(b.cross(c)) / 6.0;
    measures.surface.value += 0.5 * (b - a).cross(c - a).norm();
  }
  // The outline moves as one at worst.
  const double outline_mm = measures.outline_px * measures.pixel_mm;
  const double volume = measures.volume.value;
  const double surface = measures.surface.value;
  measures.volume.sigma = std::hypot(surface * outline_mm, 3.0 * measures.scale_sigma * volume);
  const double relative = volume > 0 ? 2.0 * surface * outline_mm / (3.0 * volume) : 0.0;
  measures.surface.sigma = surface * std::hypot(relative, 2.0 * measures.scale_sigma);
}

}  // namespace

void measure(const std::vector<HullView>& views, const std::vector<Field>& fields, Hull& hull) {
  Measures& measures = hull.measures;
  measures.scale_sigma = scale_sigma(views);
  measures.height = extent_of(views, fields, hull, Eigen::Vector3d::UnitZ());
  const Eigen::Vector3d width = widest(hull.mesh);
  measures.width = extent_of(views, fields, hull, width);
  measures.depth = extent_of(views, fields, hull, Eigen::Vector3d::UnitZ().cross(width));
  add_amounts(hull.mesh, measures);
}

}  // namespace trunnion::hull
