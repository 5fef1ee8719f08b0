// Rotation conventions of photogrammetry, beside the camera_from_world matrices used inside.
//
// The image frame of photogrammetry has x right, y UP and z towards the viewer (the camera looks
// along -z). The angles turn the object frame into the image frame about moving axes, omega about
// X first, then phi about the once-turned Y, then kappa about the twice-turned Z:
//   object_from_image = Rx(omega) Ry(phi) Rz(kappa)
//     [  cp ck                 -cp sk                  sp    ]
//     [  co sk + so sp ck       co ck - so sp sk      -so cp ]
//     [  so sk - co sp ck       so ck + co sp sk       co cp ]
// with c = cos, s = sin, o p k = omega phi kappa.
// Sources (formulas as remembered): T. Luhmann, S. Robson, S. Kyle, J. Boehm, "Close-Range
// Photogrammetry and 3D Imaging", section on rotation matrices; P. Wolf, B. Dewitt, B. Wilkinson,
// "Elements of Photogrammetry", appendix C, whose M is the transpose of the matrix above.
// With the camera frame used inside (y down, z forward):
//   object_from_image = camera_from_world^T diag(1, -1, -1)
#pragma once

#include <Eigen/Core>

namespace trunnion {

struct OmegaPhiKappa {
  double omega = 0;  // rad, (-pi, pi]
  double phi = 0;    // rad, [-pi/2, pi/2]
  double kappa = 0;  // rad, (-pi, pi]
};

// Where phi is +-90 degrees only omega +- kappa is defined: kappa is then 0.
OmegaPhiKappa omega_phi_kappa(const Eigen::Matrix3d& camera_from_world);
Eigen::Matrix3d camera_from_world(const OmegaPhiKappa& angles);

// object_from_image of the formula above.
Eigen::Matrix3d object_from_image(const OmegaPhiKappa& angles);

// 3 x 3 Jacobian d(omega, phi, kappa) / d(w) for camera_from_world = exp([w]x) R0, w in the camera
// frame (see PoseCovariance). Grows without bound towards phi = +-90 degrees.
Eigen::Matrix3d omega_phi_kappa_jacobian(const Eigen::Matrix3d& camera_from_world);

}  // namespace trunnion
