// Refinement against published turntable sequences.
// Source of turntable36: Fitzgibbon, Cross, Zisserman, "Automatic 3D model construction for
// turn-table sequences", SMILE 1998, and the published projection matrices of the sequence.
#include <fmt/format.h>
#include <gtest/gtest.h>

#include <Eigen/Geometry>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "core/angle.h"
#include "stages/orient/orient.h"
#include "stages/refine/refine.h"
#include "tests/support/open_data.h"
#include "tests/support/turntable_data.h"

namespace trunnion {
namespace refine_turntable_test {

// The figure is red where the backdrop is blue; the video's black edges are cut off.
cv::Mat mask_turntable36(const cv::Mat& image) {
  std::vector<cv::Mat> bgr;
  cv::split(image, bgr);
  cv::Mat difference;
  cv::subtract(bgr[2], bgr[0], difference);
  cv::Mat mask = difference > 5;
  mask.colRange(690, mask.cols) = 0;
  mask.rowRange(0, 4) = 0;
  cv::morphologyEx(mask, mask, cv::MORPH_OPEN, cv::Mat::ones(3, 3, CV_8U));
  cv::morphologyEx(mask, mask, cv::MORPH_CLOSE, cv::Mat::ones(7, 7, CV_8U));
  return mask;
}

struct Case {
  Scene scene;
  std::vector<RingAxis> rings;
  std::vector<refine::ImageFeatures> features;
};

// Everything that is given: 36 stations, 10 degrees. Everything else is a rough guess:
//   field of view 15 degrees across (c = 2750 px; PAL samples are 59/54 wider than high, ITU-R
//   BT.601, so fx = 2750, fy = 3005), principal point in the centre, no distortion;
//   camera 10 degrees above the table, axis through the image's centre.
Case guessed_turntable36(const std::filesystem::path& folder) {
  Case set;
  set.scene.camera = {Projection::perspective, 720,   576,   2750.0,
                      2750.0 * 59.0 / 54.0,    359.5, 287.5, {}};
  Specimen specimen;
  specimen.rings.push_back({.name = "ring",
                            .elevation = radians(10.0),
                            .stations = 36,
                            .step = radians(10.0),
                            .turning = Turning::clockwise,
                            .pattern = ""});
  specimen.geometry.distance_mm = 1000.0;
  specimen.geometry.sigma_elevation = radians(10.0);
  specimen.geometry.sigma_angle = radians(0.1);
  trunnion::Setup setup;
  setup.width_px = 720;
  setup.height_px = 576;
  setup.pixel_pitch_um = 10.0;
  setup.magnification = 0.0275;  // 1000 mm away
  setup.focal_length_mm = 27.5;
  std::vector<orient::OrientStation> stations;
  for (int i = 0; i < 36; ++i) {
    stations.push_back(
        {fmt::format("ring_{:03d}", i), "ring", 0, i, specimen.rings[0].angle_of(i)});
    const cv::Mat image =
        cv::imread((folder / "images" / fmt::format("viff.{:03d}.png", i)).string());
    set.features.push_back(
        refine::extract_features(image, mask_turntable36(image), RefineSettings{}));
  }
  const orient::OrientResult oriented = orient::orient(stations, specimen, setup, nullptr);
  set.scene.views = oriented.views;
  set.rings = oriented.rings;
  return set;
}

TEST(RefineTurntable, SlowTurntable36FromThirtySixStationsOfTenDegreesAlone) {
  TRUNNION_OPEN_DATA_OR_SKIP(folder, "turntable36");
  const Case set = guessed_turntable36(folder);
  const std::vector<test::PublishedView> published = test::read_turntable36(folder);
  const refine::RefineResult result =
      refine::refine(set.scene, set.rings, set.features, RefineSettings{});
  fmt::print("{}: {}\n", name_of(result.verdict), result.sentence);
  for (const Finding& f : result.findings) fmt::print("  {}\n", f.what);
  fmt::print("sigma {:.3f} px, f change {:.3f} +- {:.3f}, elevation {:.2f}, iterations {}\n",
             result.sigma_px, result.principal_distance_change, result.principal_distance_sigma,
             degrees(result.rings[0].elevation), result.iterations);
  double sum = 0;
  double turned = 0;
  for (std::size_t i = 0; i < 36; ++i) {
    const std::size_t j = (i + 1) % 36;
    const auto& v = result.scene.views;
    const double step = rotation_angle_between(v[i].pose.R, v[j].pose.R);
    const double reference = rotation_angle_between(published[i].pose.R, published[j].pose.R);
    sum += (step - reference) * (step - reference);
    turned += step;
    fmt::print("{:2d} {:.3f} {:.3f} tie {} rms {:.2f}\n", i, degrees(step), degrees(reference),
               result.stations[i].tie_points, result.stations[i].rms_px);
  }
  fmt::print("RMS of steps {:.4f} deg, turned {:.4f}\n", degrees(std::sqrt(sum / 36)),
             degrees(turned));
  EXPECT_LE(degrees(std::sqrt(sum / 36)), 0.10);
  EXPECT_NEAR(degrees(turned), 360.0, 0.5);
  EXPECT_LE(result.rms_px, 0.5);
  EXPECT_GE(result.points_in_three_views, 1500);
}

}  // namespace refine_turntable_test
}  // namespace trunnion
