// Lens calibration against the reference library on the chessboard photographs of Debian's package
// opencv-doc: OpenCV 4.6 calibrateCamera on the same corners, and the figures of its own regression
// test (modules/python/test/test_calibration.py: RMS 0.196334638034, fx 532.80992189, fy
// 532.93346422, cx 342.4952186, cy 233.8879292).
#include <gtest/gtest.h>

#include <fmt/format.h>

#include <opencv2/calib3d.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "core/image_io.h"
#include "stages/calibrate_lens/calibrate_lens.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace lens_photographs_test {

using calibrate_lens::Corners;

struct Photographs {
  std::vector<std::string> names;
  std::vector<std::vector<cv::Point2f>> image;
  std::vector<std::vector<cv::Point3f>> board;
  std::vector<calibrate_lens::Corners> corners;
};

// Corners as the reference test measures them: half window, 30 iterations, eps 0.1.
Photographs photographs(const std::filesystem::path& folder, int half_window) {
  Photographs set;
  for (int i = 1; i <= 14; ++i) {
    if (i == 10) continue;  // not part of the set
    const std::string name = fmt::format("left{:02}.jpg", i);
    const cv::Mat image = cv::imread((folder / name).string(), cv::IMREAD_GRAYSCALE);
    std::vector<cv::Point2f> points;
    if (!cv::findChessboardCorners(image, {9, 6}, points)) continue;
    cv::cornerSubPix(image, points, {half_window, half_window}, {-1, -1},
                     {cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 30, 0.1});
    std::vector<cv::Point3f> board;
    calibrate_lens::Corners corners;
    for (int k = 0; k < 54; ++k) {
      board.emplace_back(static_cast<float>(k % 9), static_cast<float>(k / 9), 0.0F);
      corners.board_mm.emplace_back(k % 9 - 4.0, k / 9 - 2.5);
      corners.image_px.emplace_back(points[static_cast<std::size_t>(k)].x,
                                    points[static_cast<std::size_t>(k)].y);
      corners.used.push_back(1);
    }
    set.names.push_back(name);
    set.image.push_back(points);
    set.board.push_back(board);
    set.corners.push_back(corners);
  }
  return set;
}

TEST(LensPhotographs, SameParametersAsTheReferenceLibrary) {
  const auto folder = test::opencv_samples();
  if (!folder) GTEST_SKIP() << "SKIPPED: Debian's package opencv-doc is not installed";
  const Photographs set = photographs(*folder, 5);
  ASSERT_EQ(set.names.size(), 13U);
  cv::Mat k;
  cv::Mat d;
  cv::Mat deviations;
  std::vector<cv::Mat> r;
  std::vector<cv::Mat> t;
  cv::Mat view_deviations;
  cv::Mat view_errors;
  const double their_rms = cv::calibrateCamera(
      set.board, set.image, {640, 480}, k, d, r, t, deviations, view_deviations, view_errors, 0,
      {cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 200, 1e-15});

  const calibrate_lens::Frame frame{640, 480};
  const calibrate_lens::Model model{Projection::perspective, 3, true, false, true};
  const calibrate_lens::Fit fit = calibrate_lens::fit_model(frame, model, set.corners, {});
  const Camera camera = calibrate_lens::to_camera(frame, model, fit.camera);
  EXPECT_LE(fit.rms_px, their_rms * 1.001);
  const double ours[] = {camera.fx,
                         camera.fy,
                         camera.cx,
                         camera.cy,
                         camera.distortion[0],
                         camera.distortion[1],
                         camera.distortion[2],
                         camera.distortion[3],
                         camera.distortion[4]};
  const double theirs[] = {k.at<double>(0, 0), k.at<double>(1, 1), k.at<double>(0, 2),
                           k.at<double>(1, 2), d.at<double>(0),    d.at<double>(1),
                           d.at<double>(2),    d.at<double>(3),    d.at<double>(4)};
  const calibrate_lens::Uncertainty uncertainty =
      calibrate_lens::uncertainty_of(fit, set.corners, std::nullopt);
  ASSERT_TRUE(uncertainty.regular);
  const auto jacobian = calibrate_lens::to_camera_jacobian(frame, model, fit.camera);
  const Eigen::Matrix<double, 9, 9> covariance =
      jacobian * uncertainty.covariance * jacobian.transpose();
  for (int i = 0; i < 9; ++i) {
    const double sigma = deviations.at<double>(i);
    EXPECT_NEAR(ours[i], theirs[i], 0.1 * sigma) << i;
    // The reference counts points where it should count coordinates: its variance is the sum of
    // squares over n - p, ours over 2 n - p, with 702 corners and 9 + 13 x 6 parameters.
    EXPECT_NEAR(std::sqrt(covariance(i, i)), sigma * std::sqrt(615.0 / 1317.0), 0.01 * sigma) << i;
  }
  // The published regression figures with their tolerances.
  EXPECT_NEAR(fit.rms_px, 0.196334638034, 0.01);
  EXPECT_LT(std::abs(camera.fx - 532.80992189) + std::abs(camera.fy - 532.93346422) +
                std::abs(camera.cx - 342.4952186) + std::abs(camera.cy - 233.8879292),
            10.0);
}

std::vector<calibrate_lens::BoardImage> board_images(const Photographs& set) {
  std::vector<calibrate_lens::BoardImage> images;
  for (std::size_t v = 0; v < set.names.size(); ++v) {
    calibrate_lens::BoardImage image{set.names[v], 640, 480, {}};
    image.view.found = image.view.complete = true;
    image.view.columns = 9;
    image.view.rows = 6;
    for (int k = 0; k < 54; ++k) {
      BoardCorner corner{.column = k % 9, .row = k / 9};
      corner.position_px = set.corners[v].image_px[static_cast<std::size_t>(k)];
      image.view.corners.push_back(corner);
    }
    images.push_back(std::move(image));
  }
  return images;
}

trunnion::Setup photograph_setup() {
  trunnion::Setup setup;
  setup.width_px = 640;
  setup.height_px = 480;
  setup.pixel_pitch_um = 10.0;  // any: the photographs' camera is not known
  setup.focal_length_mm = 5.33;
  setup.magnification = 0.01;
  setup.moves = FocusMotion::lens;
  return setup;
}

calibrate_lens::LensResult calibrated(const Photographs& set) {
  calibrate_lens::LensOptions options;
  options.pattern = {9, 6, 17.0};  // mm; chosen so that the assumed setup's scale fits
  options.use_setup = false;
  return calibrate_lens::calibrate_lens(board_images(set), photograph_setup(), options);
}

// The published left_intrinsics.yml carries the mark of too large a corner window: 1.18 px in
// left02 where the others have 0.2.
TEST(LensPhotographs, CornersSpoiltByTooLargeAWindowGo) {
  const auto folder = test::opencv_samples();
  if (!folder) GTEST_SKIP() << "SKIPPED: Debian's package opencv-doc is not installed";
  const Photographs set = photographs(*folder, 11);
  const calibrate_lens::LensResult result = calibrated(set);
  ASSERT_EQ(result.images[1].name, "left02.jpg");
  // The corners that are off go, not the whole image; no other image loses as many.
  const auto rejected = [&](std::size_t i) { return result.images[i].corners_rejected; };
  std::cout << rejected(1) << " corners of left02 rejected, rms " << result.images[1].rms_px
            << "\n";
  EXPECT_GE(rejected(1), 3);
  for (std::size_t i = 0; i < result.images.size(); ++i) {
    if (i == 1) continue;
    EXPECT_LT(rejected(i), rejected(1)) << result.images[i].name;
  }
  EXPECT_GE(result.calibration.images_used, 12);
  // Without them the focal length is back within the regression figure's neighbourhood.
  EXPECT_NEAR(result.calibration.camera.fx, 532.81, 3.0 * 0.65);
  // With the right window nothing is rejected.
  EXPECT_EQ(calibrated(photographs(*folder, 5)).calibration.images_used, 13);
}

// Held-out corners: each board predicted from the others by the chosen model and by the reference
// library's full one (5 terms, both scales) fitted the same way.
TEST(LensPhotographs, TheChosenModelPredictsHeldOutCornersAsWell) {
  const auto folder = test::opencv_samples();
  if (!folder) GTEST_SKIP() << "SKIPPED: Debian's package opencv-doc is not installed";
  const Photographs set = photographs(*folder, 5);
  const calibrate_lens::LensResult result = calibrated(set);
  const auto mean = [](const std::vector<double>& errors) {
    double sum = 0;
    for (const double error : errors) sum += error;
    return std::sqrt(sum / static_cast<double>(errors.size()));
  };
  const double chosen =
      mean(calibrate_lens::held_out_errors(result.fit, result.model, result.boards, {}, 13));
  const calibrate_lens::Model full{Projection::perspective, 3, true, false, true};
  const double theirs =
      mean(calibrate_lens::held_out_errors(result.fit, full, result.boards, {}, 13));
  fmt::print("held out: chosen {:.5f} px ({}), full model {:.5f} px\n", chosen,
             result.calibration.model, theirs);
  EXPECT_LE(chosen, theirs * 1.005);
}

}  // namespace lens_photographs_test
}  // namespace trunnion
