// The bodies a demo specimen is built of, and how rays meet them: ellipsoids, ellipsoids with an
// ellipsoidal cavity carved out, and round cones (the convex hull of two spheres: legs, antennae,
// bristles, pin). A ray is x = origin + t * direction with a unit direction; t > 0 in mm.
#pragma once

#include <Eigen/Core>
#include <cstdint>
#include <limits>
#include <vector>

namespace trunnion::demo {

enum class Part : std::uint8_t { body, pronotum, head, eye, leg, antenna, bristle, pin };

struct Ray {
  Eigen::Vector3d origin;
  Eigen::Vector3d direction;  // unit
};

struct Solid {
  enum class Shape : std::uint8_t { ellipsoid, carved_ellipsoid, round_cone };
  Shape shape = Shape::ellipsoid;
  Part part = Part::body;
  // Ellipsoid: centre a, `unit_from_world` maps x - a to the unit sphere. Cavity likewise about b.
  // Round cone: spheres of radius_a about a and radius_b about b.
  Eigen::Vector3d a = Eigen::Vector3d::Zero();
  Eigen::Vector3d b = Eigen::Vector3d::Zero();
  Eigen::Matrix3d unit_from_world = Eigen::Matrix3d::Identity();
  Eigen::Matrix3d cavity_from_world = Eigen::Matrix3d::Identity();
  double radius_a = 0;
  double radius_b = 0;
  Eigen::Vector3d half_box = Eigen::Vector3d::Zero();  // ellipsoids: half extents about a
};

struct Hit {
  double t = std::numeric_limits<double>::infinity();
  int solid = -1;
  bool cavity = false;  // on the wall of the carved cavity
  [[nodiscard]] bool any() const { return solid >= 0; }
};

struct Box {
  Eigen::Vector3d low;
  Eigen::Vector3d high;
};

Solid ellipsoid(Part part, const Eigen::Vector3d& centre, const Eigen::Vector3d& radii,
                const Eigen::Matrix3d& world_from_local = Eigen::Matrix3d::Identity());
Solid carved(const Solid& body, const Eigen::Vector3d& centre, const Eigen::Vector3d& radii,
             const Eigen::Matrix3d& world_from_local);
Solid round_cone(Part part, const Eigen::Vector3d& a, double radius_a, const Eigen::Vector3d& b,
                 double radius_b);

Box box_of(const Solid& solid);

// Where the ray first enters the solid beyond `t_min`: lowers `hit` where that is nearer.
void intersect(const Solid& solid, int index, const Ray& ray, double t_min, Hit& hit);

// Outward unit normal at a point of the surface.
Eigen::Vector3d normal_at(const Solid& solid, const Eigen::Vector3d& point, bool cavity);

// Bounding-box tree over the solids for rays that start anywhere.
class SolidTree {
 public:
  SolidTree() = default;
  explicit SolidTree(const std::vector<Solid>& solids);  // keeps a copy
  [[nodiscard]] Hit first_hit(const Ray& ray, double t_min) const;
  [[nodiscard]] bool blocked(const Ray& ray, double t_min, double t_max) const;

 private:
  struct Node {
    Box box;
    int left = -1;  // children; -1: leaf
    int right = -1;
    int first = 0;  // range in order_
    int count = 0;
  };
  int build(int first, int count);
  template <typename Visit>
  void walk(const Ray& ray, double t_max, Visit visit) const;

  std::vector<Solid> solids_;
  std::vector<Box> boxes_;
  std::vector<int> order_;
  std::vector<Node> nodes_;
};

}  // namespace trunnion::demo
