#include "tests/support/sample_report.h"

#include <fmt/format.h>

#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <random>

namespace trunnion::test {
namespace {

constexpr double kRadians = std::numbers::pi / 180.0;
constexpr double kDistance_mm = 180.0;

// A lumpy ellipsoid; points on it carry the pattern.
Eigen::Vector3d surface(double u, double v) {
  const double bump = 1.0 + 0.12 * std::cos(3 * u) * std::sin(2 * v);
  return {9.0 * bump * std::sin(v) * std::cos(u), 6.0 * bump * std::sin(v) * std::sin(u),
          5.0 * bump * std::cos(v)};
}

std::string name_of_station(const std::string& ring, int station) {
  return fmt::format("{}_{:03}", ring, station);
}

struct Drawing {
  cv::Mat image;
  cv::Mat mask;
};

// Splats, far ones first: enough to look like a thing that turns.
Drawing draw(const Camera& camera, const Pose& pose, bool blur_band, bool noise, unsigned seed) {
  Drawing out{cv::Mat(camera.height_px, camera.width_px, CV_8UC3, cv::Scalar(26, 22, 20)),
              cv::Mat::zeros(camera.height_px, camera.width_px, CV_8UC1)};
  struct Splat {
    double depth;
    cv::Point at;
    cv::Scalar bgr;
  };
  std::vector<Splat> splats;
  constexpr int kSteps = 170;
  for (int i = 0; i < kSteps; ++i) {
    for (int k = 1; k < kSteps; ++k) {
      const double u = 2 * std::numbers::pi * i / kSteps;
      const double v = std::numbers::pi * k / kSteps;
      const Eigen::Vector3d p = surface(u, v);
      const Eigen::Vector3d in_camera = pose * p;
      const Eigen::Vector2d px = project(camera, in_camera);
      const Eigen::Vector3d n =
          (pose.R * p.cwiseQuotient(Eigen::Vector3d(81, 36, 25))).normalized();
      const double light = std::clamp(0.25 - 0.55 * n.z() - 0.45 * n.y(), 0.08, 1.0);
      const double stripe = 0.6 + 0.4 * std::sin(9 * u) * std::sin(7 * v);
      splats.push_back({in_camera.z(),
                        {cvRound(px.x()), cvRound(px.y())},
                        cv::Scalar(60, 110, 90) * light * stripe * 2.0});
    }
  }
  std::stable_sort(splats.begin(), splats.end(),
                   [](const Splat& a, const Splat& b) { return a.depth > b.depth; });
  const int radius = std::max(2, camera.width_px / 110);
  for (const Splat& splat : splats) {
    cv::circle(out.image, splat.at, radius, splat.bgr, cv::FILLED);
    cv::circle(out.mask, splat.at, radius, cv::Scalar(255), cv::FILLED);
  }
  if (blur_band) {
    cv::Mat band = out.image.rowRange(camera.height_px * 2 / 5, camera.height_px * 3 / 5);
    cv::GaussianBlur(band, band, {}, camera.width_px / 60.0);
  }
  if (noise) {
    cv::RNG random(seed);
    cv::Mat grain(out.image.size(), CV_16SC3);
    random.fill(grain, cv::RNG::NORMAL, 0, 14);
    cv::Mat sum;
    out.image.convertTo(sum, CV_16SC3);
    sum += grain;
    sum.convertTo(out.image, CV_8UC3);
  }
  return out;
}

void add_faults(report::ReportData& data) {
  const auto find = [&data](const std::string& name) -> report::ReportView& {
    for (report::ReportView& view : data.views) {
      if (view.name == name) return view;
    }
    throw std::logic_error("no view " + name);
  };
  find("low_011").sharpness = 0.41;
  find("low_015").exposure = 1.19;
  find("high_020").mask_area = 0.71;
  find("high_020").mask_confidence = 0.12;
  data.findings.push_back({Severity::fault, "ingest", "fused/low_007.tif",
                           "Station 7 of ring low has no image.",
                           "Shoot it, or copy fused/low_007.tif from the camera, and run again."});
  data.findings.push_back({Severity::fault, "survey", "fused/low_011.tif",
                           "A band across the specimen is blurred: its sharpness is 41 % of the "
                           "set's median, and 75 % is the least.",
                           "Shoot the focus series again with a smaller step."});
  data.findings.push_back({Severity::doubt, "survey", "fused/low_015.tif",
                           "The exposure is 19 % above the set's median, and 5 % is allowed.",
                           "Check the lamps and shoot it again."});
  data.findings.push_back({Severity::fault, "mask", "fused/high_020.tif",
                           "The mask covers 71 % of the image and is not trusted (12 %).",
                           "Shoot it again against a clean backdrop, or draw this mask by hand."});
  data.findings.push_back({Severity::note, "survey", "",
                           "7 spots of dust on the sensor were repaired in every image.",
                           "Clean the sensor when convenient."});
}

void add_facts(report::ReportData& data) {
  data.date = "2026-03-14T11:20:00Z";
  data.settings = {{"survey.stations", "12"},
                   {"repair.dust", "yes"},
                   {"mask.margin_px", "0"},
                   {"undistort.size", "same"},
                   {"refine.enabled", "yes"}};
  data.versions = {{"trunnion", "0.1.0"}, {"OpenCV", "4.6.0"}, {"Ceres", "2.1.0"}};
  data.hashes = {{"specimen.toml", "3d0c9f64e5c1f1a86b3f7d8c5a4e2b10"},
                 {"setups/bench.toml", "8a77b1c20f4d5e6f90a1b2c3d4e5f607"}};
  data.timings = {{"ingest", 0.8, 48}, {"survey", 9.5, 12}, {"repair, mask, undistort", 71.2, 47},
                  {"orient", 0.1, 0},  {"refine", 14.6, 0}, {"write metadata", 2.2, 47}};
  data.spots = {{91, 60, 5, -0.2},   {402, 77, 7, -0.12}, {233, 310, 4, -0.3}, {520, 350, 6, -0.15},
                {60, 222, 5, -0.22}, {301, 25, 3, 0.4},   {480, 200, 4, -0.18}};
}

}  // namespace

Scene sample_scene(const SampleOptions& options) {
  Scene scene;
  scene.title = options.title;
  scene.setup_name = "bench";
  Camera& camera = scene.camera;
  camera.width_px = options.width_px;
  camera.height_px = options.width_px * 2 / 3;
  camera.fx = camera.fy = options.width_px * 7.0;
  camera.cx = (camera.width_px - 1) / 2.0;
  camera.cy = (camera.height_px - 1) / 2.0;
  scene.source_camera = camera;
  scene.pixel_pitch_um = 4.0;
  scene.lens_calibrated = scene.axis_calibrated = scene.refined = true;
  std::mt19937 random(7);
  std::normal_distribution<double> normal;
  for (int r = 0; r < options.rings; ++r) {
    const std::string ring = r == 0 ? "low" : r == 1 ? "high" : fmt::format("ring {}", r + 1);
    const Axis axis = nominal_axis(kDistance_mm, (15.0 + 25.0 * r) * kRadians);
    for (int k = 0; k < options.stations; ++k) {
      if (options.faults && r == 0 && k == 7) continue;
      View view;
      view.name = name_of_station(ring, k);
      view.image_file = "images/" + view.name + ".tif";
      view.mask_file = "masks/" + view.name + ".png";
      view.source_file = "fused/" + view.name + ".tif";
      view.ring = ring;
      view.station = k;
      view.stage_angle = 2 * std::numbers::pi * k / options.stations;
      view.sigma_stage_angle = 0.1 * kRadians;
      double slip = 0.05 * kRadians * normal(random);
      if (options.faults && r == 1 && k == 4) slip = 1.8 * kRadians;
      view.prior = pose_at(axis, view.stage_angle);
      view.pose = pose_at(axis, view.stage_angle + slip);
      view.prior_covariance = pose_covariance_at(axis, AxisCovariance::Identity() * 1e-6,
                                                 view.stage_angle, view.sigma_stage_angle);
      view.covariance = view.prior_covariance * (0.05 + 0.02 * std::abs(normal(random)));
      scene.views.push_back(view);
    }
  }
  for (int i = 0; i < 1500; ++i) {
    TiePoint point;
    std::uniform_real_distribution<double> share;
    point.position_mm =
        surface(2 * std::numbers::pi * share(random), std::acos(1 - 2 * share(random)));
    point.rgb = {static_cast<std::uint8_t>(90 + 60 * share(random)), 140, 90};
    for (std::size_t v = 0; v < scene.views.size(); ++v) {
      const Eigen::Vector3d seen = scene.views[v].pose * point.position_mm;
      if (seen.z() > kDistance_mm - 3.0 || share(random) > 0.5) continue;
      const Eigen::Vector2d px = project(camera, seen);
      point.observations.push_back(
          {v, px + 0.3 * Eigen::Vector2d(normal(random), normal(random)), 0.4});
    }
    scene.tie_points.push_back(point);
  }
  return scene;
}

report::ReportData sample_report(const SampleOptions& options) {
  const Scene scene = sample_scene(options);
  report::ReportData data;
  data.title = options.title;
  std::mt19937 random(11);
  std::normal_distribution<double> normal;
  for (std::size_t i = 0; i < scene.views.size(); ++i) {
    const View& view = scene.views[i];
    report::ReportView& out = data.views.emplace_back();
    out.name = view.name;
    const bool blurred = options.faults && view.name == "low_011";
    const Drawing drawing =
        draw(scene.camera, view.pose, blurred, options.noise, static_cast<unsigned>(i));
    cv::Mat before = drawing.image.clone();
    for (const cv::Point spot : {cv::Point(91, 60), {402, 77}, {233, 310}, {520, 350}}) {
      cv::circle(before, spot, 3, cv::Scalar(8, 8, 8), cv::FILLED);
    }
    cv::Mat mask = drawing.mask;
    if (options.faults && view.name == "high_020") {
      mask = cv::Mat::zeros(mask.size(), CV_8UC1);
      cv::rectangle(mask, {0, 40}, {mask.cols - 60, mask.rows}, cv::Scalar(255), cv::FILLED);
    }
    out.pictures = report::make_thumbnails(before, drawing.image, mask);
    out.mask_area = cv::countNonZero(mask) / static_cast<double>(mask.total());
    out.sharpness = 1.0 + 0.04 * normal(random);
    out.exposure = 1.0 + 0.01 * normal(random);
    out.mask_confidence = 0.96 + 0.01 * normal(random);
    out.spots_repaired = 7;
  }
  add_facts(data);
  if (options.faults) add_faults(data);
  Specimen specimen;
  for (int r = 0; r < options.rings; ++r) {
    Ring ring;
    ring.name = r == 0 ? "low" : r == 1 ? "high" : fmt::format("ring {}", r + 1);
    ring.elevation = (15.0 + 25.0 * r) * kRadians;
    ring.stations = options.stations;
    ring.step = 2 * std::numbers::pi / options.stations;
    ring.pattern = "fused/" + ring.name + "_{station}.tif";
    specimen.rings.push_back(ring);
  }
  report::add_scene(data, scene);
  report::add_rings(data, specimen);
  cv::Mat backdrop(200, 300, CV_32FC3, cv::Scalar(26, 22, 20));
  for (int y = 0; y < backdrop.rows; ++y) backdrop.row(y) *= 1.0 + 0.5 * y / backdrop.rows;
  data.backdrop_jpeg = report::backdrop_picture(backdrop, 255.0);
  return data;
}

}  // namespace trunnion::test
