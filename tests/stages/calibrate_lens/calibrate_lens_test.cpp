#include "stages/calibrate_lens/calibrate_lens.h"

#include <ceres/ceres.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

#include "tests/support/simulated_boards.h"

namespace trunnion::calibrate_lens {
namespace calibrate_lens_test {

using test::Shoot;
using test::SimulatedRig;

Setup macro_setup(double magnification = 1.0) {
  Setup setup;
  setup.name = "macro";
  setup.width_px = 6000;
  setup.height_px = 4000;
  setup.pixel_pitch_um = 4.0;
  setup.focal_length_mm = 100.0;
  setup.magnification = magnification;
  setup.f_number = 8;
  return setup;
}

SimulatedRig rig_of(const Setup& setup) {
  SimulatedRig rig;
  rig.camera = setup.nominal_camera();
  rig.camera.fx *= 1.01;
  rig.camera.fy = rig.camera.fx;
  rig.camera.cx += 14;
  rig.camera.cy -= 9;
  const double unit = rig.camera.fx / 3605.55;
  rig.camera.distortion = {-0.004 * unit * unit, 0.001 * std::pow(unit, 4), 1e-4 * unit,
                           -1e-4 * unit, 0};
  rig.magnification = setup.lateral_magnification();
  rig.distance_mm = rig.camera.fx * setup.pixel_pitch_um * 1e-3 / rig.magnification;
  return rig;
}

struct Simulation {
  SimulatedRig rig;
  Shoot shoot;
  std::vector<BoardImage> images;
  LensResult result;
};

Simulation simulate(const Setup& setup, Shoot shoot, unsigned seed = 1) {
  Simulation made;
  made.rig = rig_of(setup);
  std::mt19937 random(seed);
  shoot.pattern.square_mm = test::square_for(made.rig, shoot);
  made.shoot = shoot;
  made.images = test::shoot_boards(made.rig, shoot, random);
  LensOptions options;
  options.pattern = shoot.pattern;
  made.result = calibrate_lens(made.images, setup, options);
  return made;
}

bool says(const LensResult& result, Severity severity, const std::string& words) {
  return std::any_of(result.findings.begin(), result.findings.end(), [&](const Finding& finding) {
    return finding.severity == severity && finding.what.find(words) != std::string::npos;
  });
}

std::string all_findings(const LensResult& result) {
  std::string text;
  for (const Finding& finding : result.findings) text += finding.what + "\n";
  return text;
}

// Undistorted minus distorted pixel position under a camera.
Eigen::Vector2d correction(const Camera& camera, const Eigen::Vector2d& pixel) {
  const Eigen::Vector2d ray = normalise(camera, pixel);
  return Eigen::Vector2d(camera.fx * ray.x() + camera.cx, camera.fy * ray.y() + camera.cy) - pixel;
}

// The bar: 1:1 macro, 15 boards, 0.1 px corner noise: undistortion right within 0.05 px RMS and
// 0.15 px at worst over the whole image.
TEST(CalibrateLens, SlowUndistortsAMacroImageToAFewHundredthsOfAPixel) {
  double worst_rms = 0;
  double worst = 0;
  for (const unsigned seed : {1U, 2U, 3U}) {
    // Boards into the corners of the image, as docs/calibration.md asks for.
    const Simulation r = simulate(
        macro_setup(), {.pattern = {17, 12, 1.0}, .board_share = 0.8, .spread = 0.9}, seed);
    ASSERT_TRUE(r.result.accepted) << all_findings(r.result);
    double sum = 0;
    int count = 0;
    for (int v = 0; v < 4000; v += 133) {
      for (int u = 0; u < 6000; u += 133) {
        const double error =
            (correction(r.result.calibration.camera, {u, v}) - correction(r.rig.camera, {u, v}))
                .norm();
        sum += error * error;
        ++count;
        worst = std::max(worst, error);
      }
    }
    worst_rms = std::max(worst_rms, std::sqrt(sum / count));
    double stated = 0;
    for (const FieldPoint& point : r.result.field) {
      stated = std::max(stated, point.sigma_correction_px);
    }
    SCOPED_TRACE(r.result.calibration.model);
    RecordProperty("stated_" + std::to_string(seed), std::to_string(stated));
    std::printf("%s: rms %.4f px, stated sigma at worst %.4f px\n",
                r.result.calibration.model.c_str(), std::sqrt(sum / count), stated);
  }
  RecordProperty("rms_px", std::to_string(worst_rms));
  RecordProperty("largest_px", std::to_string(worst));
  EXPECT_LE(worst_rms, 0.05);
  EXPECT_LE(worst, 0.15);
}

struct IndependentCost {
  template <typename T>
  bool operator()(const T* c, const T* v, T* residual) const {
    const Eigen::Matrix<T, 2, 1> pixel = project_board_point(frame, c, v, board);
    residual[0] = (pixel[0] - image.x()) / sigma;
    residual[1] = (pixel[1] - image.y()) / sigma;
    return true;
  }
  Frame frame;
  Eigen::Vector2d board, image;
  double sigma;
};

struct IndependentPrior {
  template <typename T>
  bool operator()(const T* c, T* residual) const {
    residual[0] = c[kE] / sigma_e;
    residual[1] = centred ? T(c[kCx] / kPrincipalPointSigma) : T(0);
    residual[2] = centred ? T(c[kCy] / kPrincipalPointSigma) : T(0);
    residual[3] = coaxial ? T(c[kP1] / kTangentialSigma) : T(0);
    residual[4] = coaxial ? T(c[kP2] / kTangentialSigma) : T(0);
    return true;
  }
  double sigma_e;
  bool centred;
  bool coaxial;
};

// Outside check of the elimination of the views: Ceres's own covariance of the same problem.
TEST(CalibrateLens, CovarianceIsThatOfCeres) {
  const Simulation r = simulate(macro_setup(0.5), {.boards = 6});
  const Fit& fit = r.result.fit;
  CameraVector camera = fit.camera;
  std::vector<ViewVector> views = fit.views;
  ceres::Problem problem;
  for (std::size_t v = 0; v < views.size(); ++v) {
    for (std::size_t i = 0; i < r.result.boards[v].size(); ++i) {
      if (!r.result.boards[v].used[i]) continue;
      problem.AddResidualBlock(
          new ceres::AutoDiffCostFunction<IndependentCost, 2, kCameraSize, kViewSize>(
              new IndependentCost{fit.frame, r.result.boards[v].board_mm[i],
                                  r.result.boards[v].image_px[i], fit.sigma_px}),
          nullptr, camera.data(), views[v].data());
    }
  }
  const double sigma_e =
      fit.frame.rho() / r.result.prior->principal_distance_px * r.result.prior->sigma_fraction;
  problem.AddResidualBlock(
      new ceres::AutoDiffCostFunction<IndependentPrior, 5, kCameraSize>(
          new IndependentPrior{sigma_e, !fit.model.principal_point, !fit.model.tangential}),
      nullptr, camera.data());
  std::vector<int> held;
  const auto free = free_parameters(fit.model);
  for (int i = 0; i < kCameraSize; ++i) {
    if (!free[static_cast<std::size_t>(i)]) held.push_back(i);
  }
  problem.SetManifold(camera.data(), new ceres::SubsetManifold(kCameraSize, held));
  ceres::Covariance covariance(ceres::Covariance::Options{});
  const std::vector<std::pair<const double*, const double*>> blocks{{camera.data(), camera.data()}};
  ASSERT_TRUE(covariance.Compute(blocks, &problem));
  Eigen::Matrix<double, kCameraSize, kCameraSize, Eigen::RowMajor> theirs;
  covariance.GetCovarianceBlock(camera.data(), camera.data(), theirs.data());
  for (int i = 0; i < kCameraSize; ++i) {
    for (int j = 0; j < kCameraSize; ++j) {
      const double scale = std::sqrt(theirs(i, i) * theirs(j, j));
      EXPECT_NEAR(r.result.uncertainty.covariance(i, j), theirs(i, j), 1e-6 * scale + 1e-30);
    }
  }
}

TEST(CalibrateLens, SlowFindsTheCameraFromATenthToTenTimes) {
  for (const double m : {0.1, 0.3, 1.0, 3.0, 10.0}) {
    const Simulation r = simulate(macro_setup(m), {});
    ASSERT_TRUE(r.result.accepted) << m << all_findings(r.result);
    const LensCalibration& lens = r.result.calibration;
    EXPECT_NEAR(lens.camera.fx, r.rig.camera.fx, 4.0 * std::sqrt(lens.covariance(0, 0))) << m;
    EXPECT_NEAR(lens.camera.cx, r.rig.camera.cx, 4.0 * std::sqrt(lens.covariance(2, 2))) << m;
    EXPECT_NEAR(lens.camera.cy, r.rig.camera.cy, 4.0 * std::sqrt(lens.covariance(3, 3))) << m;
    EXPECT_NEAR(lens.magnification, m, 0.03 * m);
  }
}

TEST(CalibrateLens, SlowASetOfParallelBoardsSaysSo) {
  const Simulation r = simulate(macro_setup(), {.max_tilt = 0.01});
  EXPECT_TRUE(says(r.result, Severity::doubt, "parallel to the sensor")) << all_findings(r.result);
  EXPECT_EQ(r.result.calibration.quality, "poor");
  // No confident nonsense: the truth lies within three of the stated sigmas, which are wide.
  EXPECT_GT(r.result.principal_distance_sigma, 0.03);
  EXPECT_NEAR(r.result.calibration.camera.fx, r.rig.camera.fx,
              3.0 * std::sqrt(r.result.calibration.covariance(0, 0)));
  EXPECT_NE(r.result.advice.find("Tilt the board"), std::string::npos) << r.result.advice;
}

TEST(CalibrateLens, ThreeBoardsAreAPoorCalibration) {
  const Simulation r = simulate(macro_setup(), {.boards = 3});
  EXPECT_TRUE(says(r.result, Severity::doubt, "Only 3 boards")) << all_findings(r.result);
  EXPECT_EQ(r.result.calibration.quality, "poor");
  const Simulation two = simulate(macro_setup(), {.boards = 2});
  EXPECT_FALSE(two.result.accepted);
  EXPECT_TRUE(says(two.result, Severity::fault, "Only 2 boards"));
}

TEST(CalibrateLens, SlowWrongSquareSizeIsNamed) {
  Simulation r = simulate(macro_setup(), {});
  LensOptions options;
  options.pattern = r.shoot.pattern;
  options.pattern.square_mm *= 2.0;
  const LensResult result = calibrate_lens(r.images, macro_setup(), options);
  EXPECT_FALSE(result.accepted);
  EXPECT_TRUE(says(result, Severity::fault, "the lens is right, the squares are not"))
      << all_findings(result);
}

TEST(CalibrateLens, SlowWrongSetupIsNamed) {
  const Simulation r = simulate(macro_setup(1.0), {});
  LensOptions options;
  options.pattern = r.shoot.pattern;
  const LensResult result = calibrate_lens(r.images, macro_setup(0.25), options);
  EXPECT_FALSE(result.accepted);
  EXPECT_TRUE(says(result, Severity::fault, "not the setup the boards were shot with"))
      << all_findings(result);
  trunnion::Setup other = macro_setup();
  other.width_px = 5000;
  const LensResult size = calibrate_lens(r.images, other, options);
  EXPECT_FALSE(size.accepted);
  EXPECT_TRUE(says(size, Severity::fault, "the setup's images are 5000 x 4000"));
}

TEST(CalibrateLens, SlowMirroredNumberingIsNamed) {
  Simulation r = simulate(macro_setup(), {});
  for (BoardImage& image : r.images) {
    for (BoardCorner& corner : image.view.corners) corner.column = 8 - corner.column;
  }
  LensOptions options;
  options.pattern = r.shoot.pattern;
  const LensResult result = calibrate_lens(r.images, macro_setup(), options);
  EXPECT_FALSE(result.accepted);
  EXPECT_TRUE(says(result, Severity::fault, "numbered mirrored")) << all_findings(result);
}

TEST(CalibrateLens, SlowASpoiltImageAndSpoiltCornersAreRejectedByName) {
  Simulation r = simulate(macro_setup(), {});
  std::mt19937 random(9);
  std::normal_distribution<double> noise(0.0, 1.5);
  for (BoardCorner& corner : r.images[4].view.corners) {
    corner.position_px += Eigen::Vector2d(noise(random), noise(random));
  }
  r.images[7].view.corners[10].position_px.x() += 4.0;
  LensOptions options;
  options.pattern = r.shoot.pattern;
  const LensResult result = calibrate_lens(r.images, macro_setup(), options);
  ASSERT_TRUE(result.accepted) << all_findings(result);
  EXPECT_FALSE(result.images[4].used);
  EXPECT_NE(result.images[4].reason.find("deviate from the model"), std::string::npos);
  EXPECT_TRUE(result.images[7].used);
  EXPECT_EQ(result.images[7].corner_used[10], 0);
  EXPECT_EQ(std::count_if(result.images.begin(), result.images.end(),
                          [](const LensImage& image) { return image.used; }),
            14);
}

// One bad corner in every image, or an outer column 9 px off as at the edge of the frame: the
// corners go, the images stay.
TEST(CalibrateLens, SlowBadCornersDoNotCostTheirImages) {
  int kept = 0;
  int images = 0;
  int dropped = 0;
  int bad = 0;
  for (unsigned seed = 1; seed <= 6; ++seed) {
    std::mt19937 random(seed);
    const SimulatedRig rig = rig_of(macro_setup());
    Shoot shoot;
    shoot.pattern.square_mm = test::square_for(rig, shoot);
    std::vector<BoardImage> shots = test::shoot_boards(rig, shoot, random);
    std::uniform_real_distribution<double> size(2.0, 30.0);
    std::uniform_real_distribution<double> angle(0.0, 6.28);
    std::vector<std::size_t> wild;
    for (BoardImage& image : shots) {
      auto& corners = image.view.corners;
      wild.push_back(random() % corners.size());
      const double a = angle(random);
      corners[wild.back()].position_px += size(random) * Eigen::Vector2d(std::cos(a), std::sin(a));
    }
    if (seed > 3) {
      for (BoardCorner& corner : shots[2].view.corners) {
        if (corner.column == 0) corner.position_px.x() += 9.5;
      }
    }
    LensOptions options;
    options.pattern = shoot.pattern;
    options.model = Model{.tangential = true};
    const LensResult result = calibrate_lens(shots, macro_setup(), options);
    ASSERT_TRUE(result.accepted) << all_findings(result);
    for (std::size_t v = 0; v < result.images.size(); ++v) {
      ++images;
      kept += result.images[v].used ? 1 : 0;
      if (!result.images[v].used) continue;
      ++bad;
      dropped += result.images[v].corner_used[wild[v]] == 0 ? 1 : 0;
    }
    EXPECT_NEAR(result.sigma_px, 0.1, 0.01);
  }
  std::printf("images with a bad corner kept: %d of %d; bad corners dropped: %d of %d\n", kept,
              images, dropped, bad);
  EXPECT_GE(kept, 0.95 * images);
  EXPECT_EQ(dropped, bad);
}

TEST(CalibrateLens, TheSameReasonIsSaidOnce) {
  Simulation r = simulate(macro_setup(), {.boards = 6});
  for (std::size_t v = 0; v < 4; ++v) {
    r.images[v].view = {};
    r.images[v].view.reason = "nothing was seen";
  }
  LensOptions options;
  options.pattern = r.shoot.pattern;
  const LensResult result = calibrate_lens(r.images, macro_setup(), options);
  EXPECT_EQ(std::count_if(result.findings.begin(), result.findings.end(),
                          [](const Finding& f) {
                            return f.what.find("nothing was seen") != std::string::npos;
                          }),
            1);
  EXPECT_TRUE(says(result, Severity::doubt, "in 3 more images")) << all_findings(result);
}

TEST(CalibrateLens, OrthographicHabitGivesATelecentricCamera) {
  trunnion::Setup setup = macro_setup();
  setup.rescaled = false;
  SimulatedRig rig;
  rig.camera = setup.nominal_camera();
  ASSERT_EQ(rig.camera.projection, Projection::telecentric);
  rig.camera.fx = rig.camera.fy = 251.0;  // px per mm, 0.4 % off the mark
  rig.camera.cx += 14;
  const double unit = rig.camera.fx / 3605.55;
  rig.camera.distortion = {-0.004 * unit * unit, 0, 0, 0, 0};
  std::mt19937 random(5);
  Shoot shoot;
  shoot.pattern.square_mm = test::square_for(rig, shoot);
  LensOptions options;
  options.pattern = shoot.pattern;
  const LensResult result = calibrate_lens(test::shoot_boards(rig, shoot, random), setup, options);
  ASSERT_TRUE(result.accepted) << all_findings(result);
  const LensCalibration& lens = result.calibration;
  EXPECT_EQ(lens.camera.projection, Projection::telecentric);
  EXPECT_NEAR(lens.camera.fx, 251.0, 4.0 * std::sqrt(lens.covariance(0, 0)));
  EXPECT_NEAR(lens.camera.cx, rig.camera.cx, 4.0 * std::sqrt(lens.covariance(2, 2)));
  EXPECT_NEAR(lens.camera.distortion[0], rig.camera.distortion[0],
              4.0 * std::sqrt(lens.covariance(4, 4)));
}

}  // namespace calibrate_lens_test
}  // namespace trunnion::calibrate_lens
