// Axis calibration: the residuals of the joint solution.
#pragma once

#include <Eigen/Eigenvalues>
#include <array>

#include "core/rig_math.h"
#include "stages/calibrate_axis/calibrate_axis.h"

namespace trunnion::calibrate_axis {

using CameraVector = std::array<double, 9>;
using CameraMatrix = Eigen::Matrix<double, 9, 9>;

struct RingStart {
  Axis axis;
  Eigen::Matrix3d stage_R;
};

// Where the rig puts a corner, against where it was seen.
struct CornerCost {
  RingStart ring;
  bool telecentric;
  double angle;
  Eigen::Vector2d board_mm;
  Eigen::Vector2d seen_px;
  double sigma_px;
  bool tilted = false;       // the board rides on a second axis
  bool tilts_stage = false;  // which carries the whole stage

  template <typename T>
  bool operator()(const T* axis, const T* azimuth, const T* angle_step, const T* tilt,
                  const T* line, const T* board, const T* camera, T* residual) const {
    const rig::Vector3<T> turn_axis =
        ring.stage_R.col(0).cast<T>() * axis[0] + ring.stage_R.col(1).cast<T>() * axis[1];
    const rig::Vector3<T> direction =
        rig::rotation_from_vector<T>(turn_axis) * ring.axis.direction.cast<T>();
    const rig::Vector3<T> origin =
        ring.axis.origin_mm.cast<T>() + rig::Vector3<T>(axis[2], axis[3], axis[4]);
    const rig::Vector3<T> on_board(T(board_mm.x()), T(board_mm.y()), T(0));
    const rig::Vector3<T> on_stage =
        rig::rotation_from_vector<T>(rig::Vector3<T>(board[0], board[1], board[2])) * on_board +
        rig::Vector3<T>(board[3], board[4], board[5]);
    const rig::Matrix3<T> stage_R = rig::stage_rotation<T>(direction, origin, telecentric);
    const T turned = angle + azimuth[0] + angle_step[0];
    const rig::Motion<T> stage =
        tilted ? rig::compose_tilted<T>({stage_R, origin}, turned, tilts_stage,
                                        rig::tilt_motion<T>(line, tilt[0]))
               : rig::Motion<T>{stage_R * rig::turn<T>(turned), origin};
    const rig::Vector3<T> x = stage.R * on_stage + stage.t;
    const Eigen::Matrix<T, 2, 1> pixel = rig::project<T>(camera, telecentric, x);
    residual[0] = (pixel[0] - seen_px.x()) / sigma_px;
    residual[1] = (pixel[1] - seen_px.y()) / sigma_px;
    return true;
  }
};

struct TiltPrior {
  double given;
  double sigma;
  template <typename T>
  bool operator()(const T* tilt, T* residual) const {
    residual[0] = (tilt[0] - given) / sigma;
    return true;
  }
};

// The gauge: the origin stays where it is along the axis (and, telecentric, in depth, which no
// such camera sees).
struct GaugePrior {
  Eigen::Vector3d along;
  template <typename T>
  bool operator()(const T* axis, T* residual) const {
    constexpr double kHeld_mm = 1e-4;
    residual[0] = (along.x() * axis[2] + along.y() * axis[3] + along.z() * axis[4]) / kHeld_mm;
    return true;
  }
};

struct CameraPrior {
  CameraVector mean;
  CameraMatrix sqrt_information;
  template <typename T>
  bool operator()(const T* camera, T* residual) const {
    Eigen::Matrix<T, 9, 1> d;
    for (int k = 0; k < 9; ++k) d[k] = camera[k] - mean[static_cast<std::size_t>(k)];
    Eigen::Map<Eigen::Matrix<T, 9, 1>> r(residual);
    r = sqrt_information.cast<T>() * d;
    return true;
  }
};

inline CameraVector vector_of(const Camera& c) {
  return {c.fx,
          c.fy,
          c.cx,
          c.cy,
          c.distortion[0],
          c.distortion[1],
          c.distortion[2],
          c.distortion[3],
          c.distortion[4]};
}

// Directions without variance are held to a thousandth of what moves an image by a pixel or so.
inline CameraMatrix padded(const CameraMatrix& covariance) {
  Eigen::Vector<double, 9> least;
  least << 1e-3, 1e-3, 1e-3, 1e-3, 1e-6, 1e-6, 1e-7, 1e-7, 1e-6;
  CameraMatrix result = covariance;
  result.diagonal() += least.array().square().matrix();
  return result;
}

inline CameraMatrix sqrt_information_of(const CameraMatrix& covariance) {
  const Eigen::Vector<double, 9> scale = covariance.diagonal().cwiseSqrt();
  const CameraMatrix correlation =
      scale.cwiseInverse().asDiagonal() * covariance * scale.cwiseInverse().asDiagonal();
  const Eigen::SelfAdjointEigenSolver<CameraMatrix> eigen(correlation);
  const Eigen::Vector<double, 9> inverse =
      eigen.eigenvalues().cwiseMax(1e-12).cwiseSqrt().cwiseInverse();
  return inverse.asDiagonal() * eigen.eigenvectors().transpose() *
         scale.cwiseInverse().asDiagonal();
}

}  // namespace trunnion::calibrate_axis
