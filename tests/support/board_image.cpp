#include "tests/support/board_image.h"

#include <Eigen/Geometry>
#include <Eigen/LU>
#include <cmath>
#include <opencv2/imgproc.hpp>

namespace trunnion::test {

Eigen::Matrix3d look_at_board(const BoardScene& scene, double square_px, double roll, double tilt,
                              const Eigen::Vector2d& offset_px) {
  const double distance = 20.0 * (scene.pattern.columns + 1);  // squares
  const Eigen::Matrix3d R = (Eigen::AngleAxisd(roll, Eigen::Vector3d::UnitZ()) *
                             Eigen::AngleAxisd(tilt, Eigen::Vector3d::UnitY()))
                                .toRotationMatrix();
  Eigen::Matrix3d centred = Eigen::Matrix3d::Identity();
  centred(0, 2) = -0.5 * (scene.pattern.columns - 1);
  centred(1, 2) = -0.5 * (scene.pattern.rows - 1);
  Eigen::Matrix3d pose;
  pose << R.col(0), R.col(1), Eigen::Vector3d(0, 0, distance);
  const double c = square_px * distance;
  Eigen::Matrix3d camera;
  camera << c, 0, 0.5 * (scene.size.width - 1) + offset_px.x(), 0, c,
      0.5 * (scene.size.height - 1) + offset_px.y(), 0, 0, 1;
  return camera * pose * centred;
}

namespace {

// The integral from 0 to t of the square wave that is +1 on [0, 1), -1 on [1, 2), ...
double wave_integral(double t) {
  const double phase = t - 2.0 * std::floor(0.5 * t);
  return phase < 1.0 ? phase : 2.0 - phase;
}

// Mean of the square wave over a pixel that covers `width` of the board at t.
double wave(double t, double width) {
  return (wave_integral(t + 0.5 * width) - wave_integral(t - 0.5 * width)) / width;
}

// Share of the pixel between `low` and `high`.
double inside(double t, double width, double low, double high) {
  const double from = std::max(low, t - 0.5 * width);
  const double to = std::min(high, t + 0.5 * width);
  return std::max(0.0, to - from) / width;
}

}  // namespace

cv::Mat draw_board(const BoardScene& scene) {
  const Eigen::Matrix3d board_from_image = scene.image_from_board.inverse();
  const auto board_at = [&](double u, double v) -> Eigen::Vector2d {
    return (board_from_image * Eigen::Vector3d(u, v, 1.0)).hnormalized();
  };
  cv::Mat image(scene.size, CV_32F);
  for (int v = 0; v < image.rows; ++v) {
    for (int u = 0; u < image.cols; ++u) {
      const Eigen::Vector2d at = board_at(u, v);
      const Eigen::Vector2d right = board_at(u + 0.5, v) - board_at(u - 0.5, v);
      const Eigen::Vector2d down = board_at(u, v + 0.5) - board_at(u, v - 0.5);
      const double wide = std::abs(right.x()) + std::abs(down.x());
      const double high = std::abs(right.y()) + std::abs(down.y());
      const double on_board = inside(at.x(), wide, -1, scene.pattern.columns) *
                              inside(at.y(), high, -1, scene.pattern.rows);
      const double is_dark = 0.5 * (1.0 + wave(at.x(), wide) * wave(at.y(), high));
      const double value = scene.light + (scene.dark - scene.light) * is_dark * on_board;
      image.at<float>(v, u) =
          static_cast<float>(value * (1.0 - scene.shading * u / scene.size.width));
    }
  }
  if (scene.blur_px > 0) cv::GaussianBlur(image, image, {}, scene.blur_px);
  cv::Mat noise(scene.size, CV_32F);
  cv::RNG random(7);
  random.fill(noise, cv::RNG::NORMAL, 0.0, scene.noise);
  image += noise;
  cv::Mat result;
  image.convertTo(result, scene.bits == 16 ? CV_16U : CV_8U, scene.bits == 16 ? 65535.0 : 255.0);
  return result;
}

Eigen::Vector2d true_corner(const BoardScene& scene, int column, int row) {
  return (scene.image_from_board * Eigen::Vector3d(column, row, 1.0)).hnormalized();
}

}  // namespace trunnion::test
