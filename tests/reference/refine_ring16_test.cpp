// Refinement of an almost untextured object from disturbed priors, against published poses.
// Source of ring16: Seitz, Curless, Diebel, Scharstein, Szeliski, "A comparison and evaluation of
// multi-view stereo reconstruction algorithms", CVPR 2006, data set "dinoSparseRing": 16 views in
// steps of 540 / 23 degrees.
#include <fmt/format.h>
#include <gtest/gtest.h>

#include <Eigen/Geometry>
#include <Eigen/QR>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <random>

#include "core/angle.h"
#include "stages/orient/orient.h"
#include "stages/refine/refine.h"
#include "tests/support/open_data.h"
#include "tests/support/pose_agreement.h"
#include "tests/support/turntable_data.h"

namespace trunnion {
namespace refine_ring16_test {

constexpr double kStep = radians(540.0 / 23.0);

// The silhouette recipe published with the set, without its widening.
cv::Mat silhouette(const cv::Mat& image) {
  cv::Mat grey;
  cv::cvtColor(image, grey, cv::COLOR_BGR2GRAY);
  cv::Mat mask = grey > 0.19 * 255.0;
  cv::morphologyEx(mask, mask, cv::MORPH_CLOSE, cv::Mat::ones(9, 9, CV_8U));
  return mask;
}

Axis axis_of_motion(const Pose& first, const Pose& second) {
  const Pose motion = second * first.inverse();
  Axis axis;
  axis.direction = Eigen::AngleAxisd(motion.R).axis();
  axis.origin_mm =
      (Eigen::Matrix3d::Identity() - motion.R).completeOrthogonalDecomposition().solve(motion.t);
  return axis;
}

test::PoseAgreement compare(const std::vector<View>& views,
                            const std::vector<test::PublishedView>& published) {
  std::vector<Pose> found;
  std::vector<Pose> truth;
  for (std::size_t i = 0; i < views.size(); ++i) {
    found.push_back(views[i].pose);
    truth.push_back(published[i].pose);
  }
  return test::agreement(found, truth);
}

// RMS of the tie points' observations with every point at its best place for these poses.
template <typename PoseOf>
double fit_px(const Scene& scene, const PoseOf& pose_of, const Camera& camera) {
  double sum = 0;
  std::size_t count = 0;
  for (const TiePoint& point : scene.tie_points) {
    const auto rows = 2 * static_cast<Eigen::Index>(point.observations.size());
    Eigen::MatrixXd A(rows, 3);
    Eigen::VectorXd b(rows);
    for (std::size_t k = 0; k < point.observations.size(); ++k) {
      const Observation& seen = point.observations[k];
      const Pose pose = pose_of(seen.view);
      const Eigen::Vector2d ray = normalise(camera, seen.position_px);
      for (int c = 0; c < 2; ++c) {
        const auto row = 2 * static_cast<Eigen::Index>(k) + c;
        A.row(row) = pose.R.row(c) - ray[c] * pose.R.row(2);
        b[row] = ray[c] * pose.t.z() - pose.t[c];
      }
    }
    const Eigen::Vector3d x = A.colPivHouseholderQr().solve(b);
    for (const Observation& seen : point.observations) {
      sum += (project(camera, pose_of(seen.view) * x) - seen.position_px).squaredNorm();
      ++count;
    }
  }
  return std::sqrt(sum / static_cast<double>(count));
}

TEST(RefineRing16, SlowDisturbedPriorsComeBack) {
  TRUNNION_OPEN_DATA_OR_SKIP(folder, "ring16");
  const std::vector<test::PublishedView> published = test::read_ring16(folder);
  ASSERT_EQ(published.size(), 16U);
  std::vector<refine::ImageFeatures> features;
  for (const test::PublishedView& view : published) {
    const cv::Mat image = cv::imread(view.image.string());
    features.push_back(refine::extract_features(image, silhouette(image), RefineSettings{}));
  }
  const Axis axis = axis_of_motion(published[0].pose, published[7].pose);
  for (unsigned seed = 1; seed <= 3; ++seed) {
    std::mt19937 random(seed);
    std::normal_distribution<double> normal;
    // 2 degrees in the axis, 5 % in principal distance, 0.3 degrees in every step.
    CalibrationRecord record;
    record.axis.emplace();
    record.axis->sigma_angle = radians(0.3);
    RingAxis ring{"ring", 0.0, axis, AxisCovariance::Zero()};
    const double towards = 2.0 * kPi * static_cast<double>(seed) / 3.0;
    const Eigen::Vector3d across =
        std::cos(towards) * axis.direction.unitOrthogonal() +
        std::sin(towards) * axis.direction.cross(axis.direction.unitOrthogonal());
    ring.axis.direction = rotation_about(across, radians(2.0)) * axis.direction;
    const double distance = axis.origin_mm.norm();
    Eigen::Vector<double, 5> sigmas;
    sigmas << radians(2.0), radians(2.0), 0.01 * distance, 0.01 * distance, 0.05 * distance;
    ring.covariance = sigmas.array().square().matrix().asDiagonal();
    record.axis->rings.push_back(ring);
    Specimen specimen;
    specimen.rings.push_back({.name = "ring", .stations = 16, .step = kStep, .pattern = ""});
    std::vector<orient::OrientStation> stations;
    for (int i = 0; i < 16; ++i) {
      const double angle =
          specimen.rings[0].angle_of(i) + (i > 0 ? radians(0.3) * normal(random) : 0);
      stations.push_back({fmt::format("ring_{:02d}", i), "ring", 0, i, angle});
    }
    const orient::OrientResult oriented =
        orient::orient(stations, specimen, trunnion::Setup{}, &record);
    Scene scene;
    scene.camera = published[0].camera;
    scene.camera.fx *= 1.05;
    scene.camera.fy *= 1.05;
    scene.axis_calibrated = true;
    scene.views = oriented.views;
    const refine::RefineResult result =
        refine::refine(scene, oriented.rings, features, RefineSettings{});
    const test::PoseAgreement before = compare(scene.views, published);
    const test::PoseAgreement after = compare(result.scene.views, published);
    const double principal = result.scene.camera.fx / published[0].camera.fx;
    fmt::print(
        "seed {}: {} {} points, rms {:.3f} px; rotation {:.3f} -> {:.3f} degrees, centre {:.2f} -> "
        "{:.2f} % of the radius, principal distance {:+.2f} % +- {:.2f}\n",
        seed, name_of(result.verdict), result.points, result.rms_px, degrees(before.rotation),
        degrees(after.rotation), 100 * before.centre, 100 * after.centre, 100 * (principal - 1),
        100 * result.principal_distance_sigma);
    const auto refined_pose = [&](std::size_t v) { return result.scene.views[v].pose; };
    const auto published_pose = [&](std::size_t v) { return published[v].pose; };
    const double ours = fit_px(result.scene, refined_pose, result.scene.camera);
    const double theirs = fit_px(result.scene, published_pose, published[0].camera);
    double angle_sigma = 0;
    for (const refine::StationReport& station : result.stations) {
      angle_sigma = std::max(angle_sigma, station.angle_sigma);
    }
    fmt::print(
        "  the same tie points: {:.3f} px by the refined poses, {:.3f} px by the published; "
        "sigma of a station's angle {:.3f} degrees\n",
        ours, theirs, degrees(angle_sigma));
    EXPECT_NE(result.verdict, refine::PoseVerdict::not_confirmed);
    EXPECT_LE(result.rms_px, 0.5);
    EXPECT_LE(after.centre, 0.005);
    // Wanted are 0.05 degrees. The object's few shallow blobs, each good to a third of a pixel,
    // fix a station's angle to 0.1 degrees only, and the published poses fit them no better than
    // ours: so much is held, and what is stated must be true.
    EXPECT_LE(degrees(after.rotation), 0.30);
    EXPECT_LE(after.rotation, 3.0 * angle_sigma);
    EXPECT_LE(ours, theirs);
    EXPECT_NEAR(principal, 1.0, 3.0 * result.principal_distance_sigma);
    EXPECT_LE(result.principal_distance_sigma, 0.01);
  }
}

}  // namespace refine_ring16_test
}  // namespace trunnion
