#include "core/rotation.h"

#include <Eigen/LU>
#include <algorithm>
#include <cmath>

namespace trunnion {
namespace {

const Eigen::DiagonalMatrix<double, 3> kFlip(1.0, -1.0,
                                             -1.0);  // y down, z forward <-> y up, z back

}  // namespace

Eigen::Matrix3d object_from_image(const OmegaPhiKappa& angles) {
  const double so = std::sin(angles.omega);
  const double co = std::cos(angles.omega);
  const double sp = std::sin(angles.phi);
  const double cp = std::cos(angles.phi);
  const double sk = std::sin(angles.kappa);
  const double ck = std::cos(angles.kappa);
  Eigen::Matrix3d R;
  R << cp * ck, -cp * sk, sp,                                    //
      co * sk + so * sp * ck, co * ck - so * sp * sk, -so * cp,  //
      so * sk - co * sp * ck, so * ck + co * sp * sk, co * cp;
  return R;
}

OmegaPhiKappa omega_phi_kappa(const Eigen::Matrix3d& camera_from_world) {
  const Eigen::Matrix3d R = camera_from_world.transpose() * kFlip;
  OmegaPhiKappa angles;
  const double cp = std::hypot(R(0, 0), R(0, 1));
  angles.phi = std::atan2(R(0, 2), cp);
  if (cp > 1e-12) {
    angles.omega = std::atan2(-R(1, 2), R(2, 2));
    angles.kappa = std::atan2(-R(0, 1), R(0, 0));
  } else {
    angles.omega = std::atan2(R(2, 1), R(1, 1));
    angles.kappa = 0.0;
  }
  return angles;
}

Eigen::Matrix3d camera_from_world(const OmegaPhiKappa& angles) {
  return kFlip * object_from_image(angles).transpose();
}

Eigen::Matrix3d omega_phi_kappa_jacobian(const Eigen::Matrix3d& camera_from_world) {
  const OmegaPhiKappa a = omega_phi_kappa(camera_from_world);
  // camera_from_world = F Rz(-kappa) Ry(-phi) Rx(-omega), hence the rotation vector in the camera
  // frame w = -F (ez dkappa + Rz(-kappa) ey dphi + Rz(-kappa) Ry(-phi) ex domega).
  const double sk = std::sin(a.kappa);
  const double ck = std::cos(a.kappa);
  const double sp = std::sin(a.phi);
  const double cp = std::cos(a.phi);
  Eigen::Matrix3d rate;  // columns: omega, phi, kappa
  rate.col(0) << ck * cp, -sk * cp, sp;
  rate.col(1) << sk, ck, 0.0;
  rate.col(2) << 0.0, 0.0, 1.0;
  return (-(kFlip * rate)).inverse();
}

}  // namespace trunnion
