#include "tests/support/simulated_features.h"

#include <fmt/format.h>

#include <Eigen/Geometry>
#include <Eigen/SVD>
#include <algorithm>
#include <cmath>
#include <random>

namespace trunnion::test {
namespace {

constexpr int kSide_px = 1200;

Camera camera_of(const Simulation& s) {
  const double f = s.telecentric ? 75.0 : 15000.0;  // px per mm, px
  return {s.telecentric ? Projection::telecentric : Projection::perspective,
          kSide_px,
          kSide_px,
          f,
          f,
          599.5,
          599.5,
          {}};
}

Setup setup_of(const Simulation& s) {
  Setup setup;
  setup.width_px = kSide_px;
  setup.height_px = kSide_px;
  setup.pixel_pitch_um = 13.3;
  setup.focal_length_mm = 100.0;
  setup.magnification = 1.0;
  setup.rescaled = !s.telecentric;
  return setup;
}

Specimen specimen_of(const Simulation& s) {
  Specimen specimen;
  for (const SimulatedRing& ring : s.rings) {
    Ring given;
    given.name = ring.name;
    given.elevation = ring.given_elevation;
    given.stations = s.stations;
    given.step = 2.0 * kPi / s.stations;
    given.start = ring.start;
    given.tilt = ring.given_tilt;
    if (ring.reference_mm != 0) given.reference_mm = ring.reference_mm;
    specimen.rings.push_back(given);
  }
  specimen.geometry.distance_mm = s.told_distance;
  specimen.geometry.sigma_elevation = radians(5.0);
  specimen.geometry.sigma_angle = radians(0.05);
  specimen.tilt = s.told_second;
  return specimen;
}

struct Point {
  Eigen::Vector3d x;
  Eigen::Vector3d outward;
  std::array<std::uint8_t, refine::kDescriptorSize> descriptor;
};

using Random = std::mt19937;

std::vector<Point> specimen_points(const Simulation& s, Random& random) {
  std::normal_distribution<double> normal;
  std::uniform_int_distribution<int> byte(0, 90);
  std::vector<Point> points(static_cast<std::size_t>(s.points));
  for (Point& p : points) {
    p.outward = Eigen::Vector3d(normal(random), normal(random), normal(random)).normalized();
    p.x = p.outward.cwiseProduct(Eigen::Vector3d(1.0, 0.7, 0.9)) * s.radius_mm *
          (1.0 + 0.06 * std::sin(7.0 * p.outward.x()) * std::cos(5.0 * p.outward.z()));
    for (std::uint8_t& d : p.descriptor) d = static_cast<std::uint8_t>(byte(random));
  }
  return points;
}

refine::ImageFeatures seen_from(const Simulation& s, const Pose& pose,
                                const std::vector<Point>& points, Random& random) {
  std::normal_distribution<double> normal;
  std::uniform_int_distribution<int> byte(0, 90);
  const Camera camera = camera_of(s);
  const Eigen::Vector3d back = -pose.R.row(2);
  // Up in the world at the image's middle: features turn with it.
  const Eigen::Vector3d up = pose.R.col(2);
  const double orientation = std::atan2(up.y(), up.x());
  refine::ImageFeatures features;
  features.width_px = features.height_px = kSide_px;
  for (const Point& p : points) {
    const Eigen::Vector3d to_camera =
        s.telecentric ? back : Eigen::Vector3d((pose.centre_mm() - p.x).normalized());
    if (to_camera.dot(p.outward) < 0.35) continue;
    const Eigen::Vector2d at = project(camera, pose * p.x);
    refine::Feature f;
    f.x_px = static_cast<float>(at.x() + s.noise_px * normal(random));
    f.y_px = static_cast<float>(at.y() + s.noise_px * normal(random));
    f.scale_px = 6.0F;
    f.orientation = static_cast<float>(orientation);
    f.descriptor = p.descriptor;
    for (std::uint8_t& d : f.descriptor) {
      d = static_cast<std::uint8_t>(std::clamp(d + static_cast<int>(12 * normal(random)), 0, 255));
    }
    features.points.push_back(f);
  }
  // One feature in ten belongs to nothing.
  for (std::size_t k = 0; k < features.points.size(); k += 10) {
    for (std::uint8_t& d : features.points[k].descriptor) {
      d = static_cast<std::uint8_t>(byte(random));
    }
  }
  return features;
}

// The rotation that carries the true world to the found one best.
Eigen::Matrix3d found_from_true(const std::vector<View>& views, const SimulatedSet& set) {
  Eigen::Matrix3d sum = Eigen::Matrix3d::Zero();
  for (std::size_t v = 0; v < set.truth.size(); ++v) {
    sum += views[v].pose.R.transpose() * set.truth[v].R;
  }
  const Eigen::JacobiSVD<Eigen::Matrix3d> svd(sum, Eigen::ComputeFullU | Eigen::ComputeFullV);
  return svd.matrixU() * svd.matrixV().transpose();
}

}  // namespace

SimulatedSet simulate(const Simulation& s, unsigned seed) {
  Random random(seed);
  std::normal_distribution<double> normal;
  SimulatedSet set;
  set.scene.camera = camera_of(s);
  set.scene.lens_calibrated = true;
  const Specimen specimen = specimen_of(s);
  std::vector<orient::OrientStation> stations;
  for (std::size_t r = 0; r < s.rings.size(); ++r) {
    const Ring& ring = specimen.rings[r];
    for (int i = 0; i < s.stations; ++i) {
      stations.push_back({fmt::format("{}_{:03d}", ring.name, i), ring.name, r, i, ring.angle_of(i),
                          ring.tilt, ring.reference_mm});
    }
  }
  const orient::OrientResult oriented = orient::orient(stations, specimen, setup_of(s), nullptr);
  set.scene.views = oriented.views;
  set.rings = oriented.rings;
  set.findings = oriented.findings;
  const std::vector<Point> points = specimen_points(s, random);
  for (std::size_t v = 0; v < stations.size(); ++v) {
    const SimulatedRing& ring = s.rings[stations[v].ring_index];
    const Axis axis = nominal_axis(s.true_distance, ring.true_elevation, s.true_offset_mm);
    const Tilt tilt{s.true_second, ring.true_tilt, TiltCovariance::Zero()};
    double angle = stations[v].stage_angle + radians(0.02) * normal(random);
    const double back = ring.reference_mm != 0 ? ring.reference_mm + 0.01 * normal(random) : 0.0;
    const auto pose_of = [&](double a) {
      return moved_back(pose_at(axis, a, s.telecentric, tilt), back);
    };
    set.truth.push_back(pose_of(angle));
    if (v == s.at) angle += s.wrong_angle;
    if (s.reversed) angle = -angle;
    Pose pose = pose_of(angle);
    if (s.bumped && v >= s.at) pose = pose * s.bump;
    set.features.push_back(seen_from(s, pose, points, random));
  }
  return set;
}

std::pair<double, double> worst_errors(const std::vector<View>& views, const SimulatedSet& set) {
  double scale = 0;
  for (std::size_t v = 0; v < set.truth.size(); ++v) {
    scale += set.truth[v].t.norm() / views[v].pose.t.norm();
  }
  scale /= static_cast<double>(set.truth.size());
  const Eigen::Matrix3d M = found_from_true(views, set);
  Eigen::Vector3d shift = Eigen::Vector3d::Zero();
  for (std::size_t v = 0; v < set.truth.size(); ++v) {
    shift += set.truth[v].centre_mm() - scale * (M.transpose() * views[v].pose.centre_mm());
  }
  shift /= static_cast<double>(set.truth.size());
  double rotation = 0;
  double centre = 0;
  for (std::size_t v = 0; v < set.truth.size(); ++v) {
    const Pose& found = views[v].pose;
    rotation = std::max(rotation, rotation_angle_between(found.R * M, set.truth[v].R));
    const Eigen::Vector3d at = scale * (M.transpose() * found.centre_mm()) + shift;
    centre = std::max(centre, (at - set.truth[v].centre_mm()).norm() / set.truth[v].t.norm());
  }
  return {rotation, centre};
}

std::pair<double, double> telecentric_errors(const refine::RefineResult& result,
                                             const SimulatedSet& set) {
  const std::vector<View>& views = result.scene.views;
  const Eigen::Matrix3d M = found_from_true(views, set);
  // The world's shift s of the truth against the found, from the images: R_v s + t_v - t_true.
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  for (std::size_t v = 0; v < views.size(); ++v) {
    const Eigen::Matrix<double, 2, 3> A = (views[v].pose.R * M).topRows<2>();
    normal += A.transpose() * A;
    right += A.transpose() * (set.truth[v].t - views[v].pose.t).head<2>();
  }
  const Eigen::Vector3d shift = normal.ldlt().solve(right);
  double rotation = 0;
  double squares = 0;
  for (std::size_t v = 0; v < views.size(); ++v) {
    const Eigen::Matrix3d R = views[v].pose.R * M;
    rotation = std::max(rotation, rotation_angle_between(R, set.truth[v].R));
    squares += (R * shift + views[v].pose.t - set.truth[v].t).head<2>().squaredNorm();
  }
  return {rotation, set.scene.camera.fx * std::sqrt(squares / static_cast<double>(views.size()))};
}

}  // namespace trunnion::test
