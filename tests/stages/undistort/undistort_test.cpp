#include "stages/undistort/undistort.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <limits>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "stages/undistort/sample.h"
#include "tests/support/samples.h"

namespace trunnion::undistort {
namespace undistort_test {

// Strong for a macro lens: about 15 px at the corners of 600 x 400.
Camera strong_camera() {
  return {Projection::perspective,          600, 400, 1800, 1805, 305.5, 195.25,
          {-1.6, 3.0, 0.0022, -0.0017, 0.0}};
}

UndistortSettings settings_of(NewCameraSize size, bool centred) {
  UndistortSettings settings;
  settings.size = size;
  settings.centre_principal_point = centred;
  return settings;
}

cv::Mat undistorted(const cv::Mat& image, const UndistortMap& map, Interpolation interpolation) {
  cv::Mat result = image.clone();
  undistort_image(result, map, interpolation);
  return result;
}

// A ramp is reproduced exactly by the interpolation, so the result shows the place it was taken
// from; the reference is the exact forward distortion, a dense inverse of the undistortion.
TEST(Undistort, TakesEveryPixelFromItsExactPlace) {
  const Camera camera = strong_camera();
  const UndistortMap map = undistort_map(camera, settings_of(NewCameraSize::same, true));
  cv::Mat along_x(camera.height_px, camera.width_px, CV_16U);
  cv::Mat along_y = along_x.clone();
  for (int y = 0; y < camera.height_px; ++y) {
    for (int x = 0; x < camera.width_px; ++x) {
      along_x.at<std::uint16_t>(y, x) = static_cast<std::uint16_t>(1000 + 100 * x);
      along_y.at<std::uint16_t>(y, x) = static_cast<std::uint16_t>(1000 + 100 * y);
    }
  }
  double worst = 0;
  for (const auto& [ramp, axis] : {std::pair(along_x, 0), std::pair(along_y, 1)}) {
    const cv::Mat out = undistorted(ramp, map, Interpolation::cubic);
    for (int y = 0; y < out.rows; ++y) {
      for (int x = 0; x < out.cols; ++x) {
        const Eigen::Vector2d from = to_source(map, {x, y});
        // Two pixels off the border, where the taps are not repeated.
        if (from.x() < 2 || from.y() < 2 || from.x() > 597 || from.y() > 397) continue;
        worst =
            std::max(worst, std::abs((out.at<std::uint16_t>(y, x) - 1000) / 100.0 - from[axis]));
      }
    }
  }
  RecordProperty("largest_error_px", std::to_string(worst));
  EXPECT_LE(worst, 0.02);
  EXPECT_LE(worst, 0.007);  // 0.005 px of it is the ramp's rounding to whole levels
}

// Reference library: OpenCV's undistortPoints inverts the same model on its own.
TEST(Undistort, PutsPointsWhereOpenCvPutsThem) {
  const Camera camera = strong_camera();
  for (const auto size : {NewCameraSize::same, NewCameraSize::valid, NewCameraSize::all}) {
    const UndistortMap map = undistort_map(camera, settings_of(size, true));
    const cv::Matx33d K(camera.fx, 0, camera.cx, 0, camera.fy, camera.cy, 0, 0, 1);
    const cv::Matx33d P(map.to.fx, 0, map.to.cx, 0, map.to.fy, map.to.cy, 0, 0, 1);
    const std::vector<double> k(camera.distortion.begin(), camera.distortion.end());
    std::vector<cv::Point2d> distorted;
    for (int v = 0; v < 400; v += 19) {
      for (int u = 0; u < 600; u += 23) distorted.emplace_back(u, v);
    }
    std::vector<cv::Point2d> expected;
    cv::undistortPoints(
        distorted, expected, K, k, cv::noArray(), P,
        cv::TermCriteria(cv::TermCriteria::COUNT | cv::TermCriteria::EPS, 100, 1e-12));
    for (std::size_t i = 0; i < distorted.size(); ++i) {
      const Eigen::Vector2d ours = from_source(map, {distorted[i].x, distorted[i].y});
      EXPECT_NEAR(ours.x(), expected[i].x, 1e-6);
      EXPECT_NEAR(ours.y(), expected[i].y, 1e-6);
    }
  }
}

// An edge that is straight in the world: its image, drawn through the exact distortion, is bent;
// after undistortion the half-way level lies on a line.
TEST(Undistort, MakesStraightLinesStraight) {
  const Camera camera = strong_camera();
  const UndistortMap map = undistort_map(camera, settings_of(NewCameraSize::same, true));
  for (const double slope : {0.0, 0.15, -0.4}) {
    for (const double offset : {40.0, 180.0, 330.0}) {
      const auto edge = [&](double x) { return offset + slope * (x - 300); };
      cv::Mat drawn(400, 600, CV_16U);
      for (int v = 0; v < 400; ++v) {
        for (int u = 0; u < 600; ++u) {
          const Eigen::Vector2d p = from_source(map, {u, v});
          const double distance = p.y() - edge(p.x());
          drawn.at<std::uint16_t>(v, u) =
              static_cast<std::uint16_t>(32768 + 20000 * std::tanh(distance / 1.5));
        }
      }
      const cv::Mat out = undistorted(drawn, map, Interpolation::cubic);
      int seen = 0;
      for (int x = 20; x < 580; ++x) {
        for (int y = 20; y < 379; ++y) {
          const double a = out.at<std::uint16_t>(y, x) - 32768.0;
          const double b = out.at<std::uint16_t>(y + 1, x) - 32768.0;
          if (a > 0 || b <= 0 || out.at<std::uint16_t>(y, x) == 0) continue;
          // The bar of the requirement: 0.05 px.
          EXPECT_NEAR(y + a / (a - b), edge(x), 0.05);
          ++seen;
        }
      }
      EXPECT_GT(seen, 100);
    }
  }
}

TEST(Undistort, ValidIsTheLargestRectangleWithSources) {
  const Camera camera = strong_camera();
  const auto misses = [](const UndistortMap& map, int margin) {
    int count = 0;
    const auto look = [&](int u, int v) {
      const Eigen::Vector2d from = to_source(map, {u, v});
      count += from.x() < 0 || from.y() < 0 || from.x() > 599 || from.y() > 399 ? 1 : 0;
    };
    for (int u = -margin; u < map.to.width_px + margin; ++u) {
      look(u, -margin);
      look(u, map.to.height_px - 1 + margin);
    }
    for (int v = -margin; v < map.to.height_px + margin; ++v) {
      look(-margin, v);
      look(map.to.width_px - 1 + margin, v);
    }
    return count;
  };
  for (const double sign : {1.0, -1.0}) {
    Camera bent = camera;
    bent.distortion = {sign * 1.6, -sign * 3.0, 0.0022, -0.0017, 0.0};
    for (const bool centred : {false, true}) {
      const UndistortMap map = undistort_map(bent, settings_of(NewCameraSize::valid, centred));
      EXPECT_EQ(misses(map, 0), 0);
      EXPECT_GT(misses(map, 3), 0);
      EXPECT_GT(map.to.width_px, 500);
      EXPECT_GT(map.to.height_px, 300);
      if (centred) {
        EXPECT_EQ(map.to.cx, 0.5 * (map.to.width_px - 1));
        EXPECT_EQ(map.to.cy, 0.5 * (map.to.height_px - 1));
      }
    }
  }
}

TEST(Undistort, AllHoldsEveryPixelOfTheSource) {
  const Camera camera = strong_camera();
  for (const bool centred : {false, true}) {
    const UndistortMap map = undistort_map(camera, settings_of(NewCameraSize::all, centred));
    for (int u = 0; u < 600; ++u) {
      for (const int v : {0, 399}) {
        const Eigen::Vector2d to = from_source(map, {u, v});
        EXPECT_GE(to.minCoeff(), 0);
        EXPECT_LE(to.x(), map.to.width_px - 1);
        EXPECT_LE(to.y(), map.to.height_px - 1);
      }
    }
    EXPECT_LT(map.to.width_px, 700);
  }
}

TEST(Undistort, KeepsDepthChannelsAndEmptyAlpha) {
  const Camera camera = strong_camera();
  const UndistortMap map = undistort_map(camera, settings_of(NewCameraSize::all, true));
  for (const int depth : {CV_8U, CV_16U}) {
    for (const int channels : {1, 3, 4}) {
      const cv::Mat image = test::sample_image(600, 400, depth, channels);
      for (const auto kind : {Interpolation::cubic, Interpolation::lanczos}) {
        const cv::Mat out = undistorted(image, map, kind);
        EXPECT_EQ(out.type(), image.type());
        EXPECT_EQ(out.cols, map.to.width_px);
        // The outermost corner has no source: nothing is there, alpha included.
        EXPECT_EQ(cv::norm(out(cv::Rect(0, 0, 1, 1)), cv::NORM_INF), 0);
      }
    }
  }
}

// Where OpenCV looks for each pixel.
std::pair<cv::Mat, cv::Mat> library_maps(const Camera& camera, const UndistortMap& map) {
  const cv::Matx33d K(camera.fx, 0, camera.cx, 0, camera.fy, camera.cy, 0, 0, 1);
  const cv::Matx33d P(map.to.fx, 0, map.to.cx, 0, map.to.fy, map.to.cy, 0, 0, 1);
  const std::vector<double> k(camera.distortion.begin(), camera.distortion.end());
  cv::Mat x;
  cv::Mat y;
  cv::initUndistortRectifyMap(K, k, cv::noArray(), P, cv::Size(600, 400), CV_32FC1, x, y);
  return {x, y};
}

// Reference library: OpenCV's remap, steps of 1/32 px. Its cubic kernel has a = -0.75 and does not
// reproduce slopes: it moves them by (2a + 1) f (1 - f) (1 - 2f), up to 0.048 px a direction (over
// the bar of 0.02 px, hence our a = -0.5).
TEST(Undistort, AgreesWithOpenCvRemapOnASmoothImage) {
  const Camera camera = strong_camera();
  const UndistortMap map = undistort_map(camera, settings_of(NewCameraSize::same, true));
  const auto maps = library_maps(camera, map);
  const cv::Mat image = test::sample_image(600, 400, CV_16U, 3);
  // Slopes of this image in levels a pixel, down and across.
  constexpr double kSlopes = 65535 * 0.3 * (0.07 + 0.05);
  const auto difference = [&](Interpolation ours, int theirs) {
    cv::Mat expected;
    cv::remap(image, expected, maps.first, maps.second, theirs, cv::BORDER_REPLICATE);
    const cv::Rect inner(25, 25, 550, 350);
    return cv::norm(undistorted(image, map, ours)(inner), expected(inner), cv::NORM_INF);
  };
  EXPECT_LT(difference(Interpolation::lanczos, cv::INTER_LANCZOS4), kSlopes / 64 + 20);
  EXPECT_LT(difference(Interpolation::cubic, cv::INTER_CUBIC), kSlopes * (1.0 / 64 + 0.048));
}

// Reference library: OpenCV's bilinear remap, in steps of 1/32 px. Away from outlines the mask is
// filled instead of resampled.
TEST(Undistort, MaskAgreesWithOpenCvRemap) {
  const Camera camera = strong_camera();
  const UndistortMap map = undistort_map(camera, settings_of(NewCameraSize::same, true));
  const auto [x, y] = library_maps(camera, map);
  cv::Mat mask = cv::Mat::zeros(400, 600, CV_8U);
  cv::circle(mask, {300, 200}, 120, cv::Scalar(255), cv::FILLED, cv::LINE_AA);
  cv::line(mask, {20, 30}, {580, 350}, cv::Scalar(255), 1, cv::LINE_AA);
  cv::rectangle(mask, {0, 300}, {60, 399}, cv::Scalar(255), cv::FILLED);
  cv::Mat expected;
  cv::remap(mask, expected, x, y, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
  const cv::Mat found = undistort_mask(mask, map);
  const cv::Rect inner(25, 25, 550, 350);
  EXPECT_LE(cv::norm(found(inner), expected(inner), cv::NORM_INF), 2 * 255.0 / 64 + 1);
  EXPECT_LT(cv::mean(cv::abs(found(inner) - expected(inner)))[0], 0.05);
}

// Rows are put back into the image as soon as nothing below them is taken from there; without
// knowing of it they all wait, as in a new image. Pincushion, barrel and a fold, and a camera moved
// up and down by more than a band.
TEST(Undistort, RowsThatArePutBackEarlyAreStillTheSame) {
  for (const int height : {1100, 128, 90, 1}) {
    for (const double strength : {1.0, -1.0, 6.0, -6.0, 40.0}) {
      for (const double up_px : {0.0, 300.0, -300.0}) {
        SCOPED_TRACE(testing::Message() << height << " rows, " << strength << " times, " << up_px);
        const Camera camera{Projection::perspective,
                            160,
                            height,
                            1800,
                            1805,
                            75.5,
                            0.495 * height + up_px,
                            {-0.4 * strength, 0.6, 0.0022, -0.0017, 0.0}};
        const UndistortMap map = undistort_map(camera, settings_of(NewCameraSize::same, true));
        UndistortMap unknown = map;
        std::fill(unknown.first_source_row.begin(), unknown.first_source_row.end(), 0);
        for (const int type : {CV_8UC1, CV_8UC4, CV_16UC3}) {
          cv::Mat wide(camera.height_px, camera.width_px + 7, type);
          cv::RNG(3).fill(wide, cv::RNG::UNIFORM, 0, wide.depth() == CV_8U ? 256 : 65536);
          const cv::Mat beside = wide.colRange(camera.width_px, wide.cols).clone();
          cv::Mat image = wide.colRange(0, camera.width_px);  // rows with something between them
          for (const auto kind : {Interpolation::cubic, Interpolation::lanczos}) {
            const cv::Mat expected = undistorted(image, unknown, kind);
            undistort_image(image, map, kind);
            EXPECT_EQ(cv::norm(image, expected, cv::NORM_INF), 0);
            EXPECT_EQ(image.data, wide.data);
          }
          EXPECT_EQ(cv::norm(wide.colRange(camera.width_px, wide.cols), beside, cv::NORM_INF), 0);
        }
      }
    }
  }
}

// Resampling loss on a zone plate to half the Nyquist frequency (0.25 cycles a pixel), after a
// shift of half a pixel both ways, the worst case. Figures stand in docs/formats.md.
TEST(Undistort, LosesLittleOnAZonePlate) {
  constexpr int kSize = 512;
  const auto plate = [](double x, double y) {
    const double r2 = x * x + y * y;
    return 32768 + 26000 * std::cos(CV_PI * 0.25 * r2 / kSize);  // frequency 0.25 r / kSize
  };
  cv::Mat image(kSize, kSize, CV_16U);
  for (int v = 0; v < kSize; ++v) {
    for (int u = 0; u < kSize; ++u) {
      image.at<std::uint16_t>(v, u) = static_cast<std::uint16_t>(std::lround(plate(u, v)));
    }
  }
  const Camera camera{Projection::perspective, kSize, kSize, 5000, 5000, 255.5, 255.5, {}};
  Camera shifted = camera;
  shifted.cx += 0.5;
  shifted.cy += 0.5;
  const UndistortMap map = undistort_map_to(camera, shifted);
  const auto loss = [&](Interpolation kind) {
    const cv::Mat out = undistorted(image, map, kind);
    double sum = 0;
    int count = 0;
    for (int v = 8; v < kSize - 8; ++v) {
      for (int u = 8; u < kSize - 8; ++u) {
        const double x = u - 0.5;
        const double y = v - 0.5;
        if (std::hypot(x, y) > kSize - 1) continue;
        const double error = (out.at<std::uint16_t>(v, u) - plate(x, y)) / 26000;
        sum += error * error;
        ++count;
      }
    }
    return std::sqrt(2 * sum / count);  // relative to the plate's RMS of 1/sqrt(2)
  };
  const double cubic = loss(Interpolation::cubic);
  const double lanczos = loss(Interpolation::lanczos);
  RecordProperty("cubic_percent", std::to_string(100 * cubic));
  RecordProperty("lanczos_percent", std::to_string(100 * lanczos));
  std::printf("zone plate loss: cubic %.3f %%, lanczos %.3f %%\n", 100 * cubic, 100 * lanczos);
  EXPECT_LT(lanczos, cubic);
  EXPECT_LT(cubic, 0.045);
  EXPECT_LT(lanczos, 0.010);
}

#ifdef TRUNNION_AVX2
template <typename T>
[[gnu::target("avx2")]] void sample_wide(const cv::Mat& image, const float* wx, const float* wy,
                                         T* out) {
  sample_cubic_wide(image.ptr<T>(), image.step1(), wx, wy, out);
}

// The reference is the code for any machine.
template <typename T>
void expect_same_bits() {
  const std::vector<float> across = wide_table<4, 3>();
  const std::vector<float> down = weight_table<4>();
  cv::RNG random(11);
  for (int trial = 0; trial < 20000; ++trial) {
    cv::Mat image(4, 4, CV_MAKETYPE(cv::DataType<T>::depth, 3));
    random.fill(image, cv::RNG::UNIFORM, 0, std::numeric_limits<T>::max() + 1);
    if (trial % 3 == 0) image = image > 128;  // overshoots beyond both ends
    if (image.depth() != cv::DataType<T>::depth)
      image.convertTo(image, cv::DataType<T>::depth, 257);
    const float* wx = across.data() + 12 * random.uniform(0, kTableSize + 1);
    const float* wy = down.data() + 4 * random.uniform(0, kTableSize + 1);
    std::array<T, 3> plain{};
    std::array<T, 3> wide{};
    sample_colour<T, 3, 4>(image.ptr<T>(), image.step1(), wx, wy, plain.data());
    sample_wide(image, wx, wy, wide.data());
    ASSERT_EQ(plain, wide) << "trial " << trial;
  }
}

TEST(Undistort, WideRegistersGiveTheSameBits) {
  if (!has_wide_registers()) GTEST_SKIP() << "this processor has no AVX2";
  expect_same_bits<std::uint8_t>();
  expect_same_bits<std::uint16_t>();
}
#endif

}  // namespace undistort_test
}  // namespace trunnion::undistort
