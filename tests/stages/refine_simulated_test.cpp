// Refinement on simulated features: a bumpy specimen whose points are seen from the stations of a
// rig, with noise in position, wrong matches and points that hide behind the specimen.
#include <fmt/format.h>
#include <gtest/gtest.h>

#include <Eigen/SVD>
#include <algorithm>
#include <cmath>
#include <random>

#include "core/angle.h"
#include "stages/orient.h"
#include "stages/refine.h"

namespace trunnion {
namespace {

struct Simulation {
  int stations = 24;
  int points = 1500;
  double radius_mm = 6.0;
  double noise_px = 0.3;
  double true_elevation = radians(27.0);
  double told_elevation = radians(22.0);
  double true_distance = 205.0;
  double told_distance = 200.0;
  Eigen::Vector2d true_offset_mm{0.2, -0.1};
  // Faults; `at` is the station concerned.
  std::size_t at = 0;
  double wrong_angle = 0;
  Pose bump;
  bool bumped = false;
  bool reversed = false;
};

struct SimulatedSet {
  Scene scene;
  std::vector<RingAxis> rings;
  std::vector<ImageFeatures> features;
  std::vector<Pose> truth;  // without fault
};

Camera camera_1200() {
  return {Projection::perspective, 1200, 1200, 15000, 15000, 599.5, 599.5, {}};
}

SimulatedSet simulate(const Simulation& s, unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  std::uniform_int_distribution<int> byte(0, 90);
  SimulatedSet set;
  set.scene.camera = camera_1200();
  set.scene.lens_calibrated = true;
  Specimen specimen;
  specimen.rings.push_back({.name = "ring",
                            .elevation = s.told_elevation,
                            .stations = s.stations,
                            .step = 2.0 * kPi / s.stations,
                            .pattern = ""});
  specimen.geometry.distance_mm = s.told_distance;
  specimen.geometry.sigma_elevation = radians(5.0);
  specimen.geometry.sigma_angle = radians(0.05);
  trunnion::Setup setup;
  setup.width_px = 1200;
  setup.height_px = 1200;
  setup.pixel_pitch_um = 13.3;
  setup.focal_length_mm = 100.0;
  setup.magnification = 1.0;
  std::vector<OrientStation> stations;
  for (int i = 0; i < s.stations; ++i) {
    stations.push_back(
        {fmt::format("ring_{:03d}", i), "ring", 0, i, specimen.rings[0].angle_of(i)});
  }
  const OrientResult oriented = orient(stations, specimen, setup, nullptr);
  set.scene.views = oriented.views;
  set.rings = oriented.rings;

  struct Point {
    Eigen::Vector3d x;
    Eigen::Vector3d outward;
    std::array<std::uint8_t, kDescriptorSize> descriptor;
  };
  std::vector<Point> points(static_cast<std::size_t>(s.points));
  for (Point& p : points) {
    p.outward = Eigen::Vector3d(normal(random), normal(random), normal(random)).normalized();
    p.x = p.outward.cwiseProduct(Eigen::Vector3d(1.0, 0.7, 0.9)) * s.radius_mm *
          (1.0 + 0.06 * std::sin(7.0 * p.outward.x()) * std::cos(5.0 * p.outward.z()));
    for (std::uint8_t& d : p.descriptor) d = static_cast<std::uint8_t>(byte(random));
  }
  const Axis axis = nominal_axis(s.true_distance, s.true_elevation, s.true_offset_mm);
  for (int i = 0; i < s.stations; ++i) {
    const auto station = static_cast<std::size_t>(i);
    double angle = specimen.rings[0].angle_of(i) + radians(0.02) * normal(random);
    set.truth.push_back(pose_at(axis, angle));
    if (station == s.at) angle += s.wrong_angle;
    if (s.reversed) angle = -angle;
    Pose pose = pose_at(axis, angle);
    if (s.bumped && station >= s.at) pose = pose * s.bump;
    ImageFeatures features;
    features.width_px = features.height_px = 1200;
    for (const Point& p : points) {
      const Eigen::Vector3d to_camera = (pose.centre_mm() - p.x).normalized();
      if (to_camera.dot(p.outward) < 0.35) continue;
      const Eigen::Vector2d at = project(camera_1200(), pose * p.x);
      Feature f;
      f.x_px = static_cast<float>(at.x() + s.noise_px * normal(random));
      f.y_px = static_cast<float>(at.y() + s.noise_px * normal(random));
      f.scale_px = 6.0F;
      f.descriptor = p.descriptor;
      for (std::uint8_t& d : f.descriptor) {
        d = static_cast<std::uint8_t>(
            std::clamp(d + static_cast<int>(12 * normal(random)), 0, 255));
      }
      features.points.push_back(f);
    }
    // One feature in ten belongs to nothing.
    for (std::size_t k = 0; k < features.points.size(); k += 10) {
      for (std::uint8_t& d : features.points[k].descriptor) {
        d = static_cast<std::uint8_t>(byte(random));
      }
    }
    set.features.push_back(features);
  }
  return set;
}

// Rotation (rad) and centre (share of the distance) against the truth, after the one rotation about
// the axis, height and scale that no image can tell.
std::pair<double, double> worst_errors(const RefineResult& result, const SimulatedSet& set) {
  // The gauge from the means: scale by distance, then the rigid motion of the first view averaged.
  double scale = 0;
  for (std::size_t v = 0; v < set.truth.size(); ++v) {
    scale += set.truth[v].t.norm() / result.scene.views[v].pose.t.norm();
  }
  scale /= static_cast<double>(set.truth.size());
  Eigen::Matrix3d rotation_sum = Eigen::Matrix3d::Zero();
  for (std::size_t v = 0; v < set.truth.size(); ++v) {
    rotation_sum += result.scene.views[v].pose.R.transpose() * set.truth[v].R;
  }
  const Eigen::Quaterniond mean(
      Eigen::JacobiSVD<Eigen::Matrix3d>(rotation_sum, Eigen::ComputeFullU | Eigen::ComputeFullV)
          .matrixU() *
      Eigen::JacobiSVD<Eigen::Matrix3d>(rotation_sum, Eigen::ComputeFullU | Eigen::ComputeFullV)
          .matrixV()
          .transpose());
  const Eigen::Matrix3d M = mean.toRotationMatrix();  // found world from true world
  Eigen::Vector3d shift = Eigen::Vector3d::Zero();
  for (std::size_t v = 0; v < set.truth.size(); ++v) {
    shift +=
        set.truth[v].centre_mm() - scale * (M.transpose() * result.scene.views[v].pose.centre_mm());
  }
  shift /= static_cast<double>(set.truth.size());
  double rotation = 0;
  double centre = 0;
  for (std::size_t v = 0; v < set.truth.size(); ++v) {
    const Pose& found = result.scene.views[v].pose;
    rotation = std::max(rotation, rotation_angle_between(found.R * M, set.truth[v].R));
    const Eigen::Vector3d at = scale * (M.transpose() * found.centre_mm()) + shift;
    centre = std::max(centre, (at - set.truth[v].centre_mm()).norm() / set.truth[v].t.norm());
  }
  return {rotation, centre};
}

TEST(RefineSimulated, FindsTheRigFromNominalGeometry) {
  const SimulatedSet set = simulate({}, 1);
  const RefineResult result = refine(set.scene, set.rings, set.features, {});
  const auto [rotation, centre] = worst_errors(result, set);
  fmt::print("{}\nrotation {:.4f} degrees, centre {:.4f} %, sigma {:.3f} px\n", result.sentence,
             degrees(rotation), 100 * centre, result.sigma_px);
  EXPECT_EQ(result.verdict, AlignmentVerdict::will_align) << result.sentence;
  EXPECT_EQ(result.fault, DropOut::none);
  EXPECT_LE(degrees(rotation), 0.02);
  EXPECT_LE(centre, 0.0005);
  EXPECT_NEAR(result.sigma_px, 0.3, 0.05);
}

// Wrong by 10 degrees in elevation, 20 % in distance, 2 % of the image in the axis's position.
TEST(RefineSimulated, ConvergesFromPoorNominalGeometry) {
  std::vector<Eigen::Vector3d> directions;  // of the axis: the same from either side
  for (const double sign : {-1.0, 1.0}) {
    Simulation s;
    s.told_elevation = s.true_elevation + sign * radians(10.0);
    s.told_distance = s.true_distance * (1.0 + sign * 0.2);
    s.true_offset_mm = {0.32, -0.32};  // 24 px of 1200
    const SimulatedSet set = simulate(s, 2);
    const RefineResult result = refine(set.scene, set.rings, set.features, {});
    const auto [rotation, centre] = worst_errors(result, set);
    fmt::print("{}\nrotation {:.4f} degrees, centre {:.4f} %\n", result.sentence, degrees(rotation),
               100 * centre);
    EXPECT_TRUE(result.converged);
    EXPECT_EQ(result.fault, DropOut::none);
    EXPECT_LE(degrees(rotation), 0.02);
    directions.push_back(result.rings[0].axis.direction);
  }
  EXPECT_LE(degrees((directions[0] - directions[1]).norm()), 0.001);
}

// Ten seeds a drop-out: named, at the right station; none on clean sets.
TEST(RefineSimulated, SlowNamesDropOuts) {
  for (unsigned seed = 1; seed <= 10; ++seed) {
    Simulation s;
    s.stations = 20;
    s.points = 700;
    EXPECT_EQ(
        refine(simulate(s, seed).scene, simulate(s, seed).rings, simulate(s, seed).features, {})
            .fault,
        DropOut::none)
        << seed;
    Simulation wrong = s;
    wrong.at = 2 + seed;
    wrong.wrong_angle = radians((seed % 2 == 0 ? 1.0 : -1.0) * (1.0 + seed));
    const SimulatedSet wrong_set = simulate(wrong, seed);
    const RefineResult a = refine(wrong_set.scene, wrong_set.rings, wrong_set.features, {});
    EXPECT_EQ(a.fault, DropOut::wrong_angle) << seed;
    EXPECT_EQ(a.fault_view, wrong.at) << seed;

    Simulation bump = s;
    bump.at = 3 + seed;
    bump.bumped = true;
    bump.bump = {rotation_about(Eigen::Vector3d(1, seed % 3, 0).normalized(), radians(1.5)),
                 Eigen::Vector3d(0.2, -0.3, 0.1 * seed)};
    const SimulatedSet bump_set = simulate(bump, seed);
    const RefineResult b = refine(bump_set.scene, bump_set.rings, bump_set.features, {});
    EXPECT_EQ(b.fault, DropOut::bumped_specimen) << seed;
    EXPECT_EQ(b.fault_view, bump.at) << seed;

    Simulation reversed = s;
    reversed.reversed = true;
    const SimulatedSet reversed_set = simulate(reversed, seed);
    const RefineResult c =
        refine(reversed_set.scene, reversed_set.rings, reversed_set.features, {});
    EXPECT_EQ(c.fault, DropOut::reversed_turning) << seed;
  }
}

TEST(RefineSimulated, KeepsThePriorWithoutTexture) {
  SimulatedSet set = simulate({}, 1);
  for (ImageFeatures& view : set.features) view.points.resize(3);
  const RefineResult result = refine(set.scene, set.rings, set.features, {});
  EXPECT_EQ(result.verdict, AlignmentVerdict::not_refined);
  EXPECT_FALSE(result.scene.refined);
  ASSERT_EQ(result.findings.size(), 1U);
  EXPECT_EQ((result.scene.views[5].pose.R - result.scene.views[5].prior.R).norm(), 0.0);
}

TEST(RefineSimulated, FeaturesSurviveTheJournal) {
  const SimulatedSet set = simulate({}, 1);
  const ImageFeatures back = features_from_bytes(features_to_bytes(set.features[3]));
  ASSERT_EQ(back.points.size(), set.features[3].points.size());
  EXPECT_EQ(back.points[7].descriptor, set.features[3].points[7].descriptor);
  EXPECT_EQ(back.points[7].x_px, set.features[3].points[7].x_px);
  EXPECT_THROW(features_from_bytes("nonsense"), std::exception);
}

}  // namespace
}  // namespace trunnion
