#include "core/projection.h"

#include <Eigen/LU>

namespace trunnion {

Projection34 projection_matrix(const Camera& camera, const Pose& pose) {
  Projection34 extrinsic;
  extrinsic << pose.R, pose.t;
  if (camera.projection == Projection::telecentric) extrinsic.row(2) << 0, 0, 0, 1;
  Eigen::Matrix3d K;
  K << camera.fx, 0, camera.cx, 0, camera.fy, camera.cy, 0, 0, 1;
  return K * extrinsic;
}

Eigen::Matrix3d fundamental_matrix(const Projection34& a, const Projection34& b) {
  Eigen::Matrix3d F;
  for (int i = 0; i < 3; ++i) {
    for (int j = 0; j < 3; ++j) {
      Eigen::Matrix4d rows;
      rows.row(0) = a.row((i + 1) % 3);
      rows.row(1) = a.row((i + 2) % 3);
      rows.row(2) = b.row((j + 1) % 3);
      rows.row(3) = b.row((j + 2) % 3);
      F(j, i) = rows.determinant();
    }
  }
  return F / F.norm();
}

}  // namespace trunnion
