#include "tests/support/pose_agreement.h"

#include <Eigen/Geometry>
#include <Eigen/SVD>
#include <algorithm>

namespace trunnion::test {

PoseAgreement agreement(const std::vector<Pose>& found, const std::vector<Pose>& truth) {
  const auto n = static_cast<Eigen::Index>(truth.size());
  Eigen::Matrix3d sum = Eigen::Matrix3d::Zero();
  Eigen::Matrix3Xd centres(3, n);
  Eigen::Matrix3Xd true_centres(3, n);
  for (Eigen::Index i = 0; i < n; ++i) {
    const auto k = static_cast<std::size_t>(i);
    sum += truth[k].R.transpose() * found[k].R;
    centres.col(i) = found[k].centre_mm();
    true_centres.col(i) = truth[k].centre_mm();
  }
  const Eigen::JacobiSVD<Eigen::Matrix3d> svd(sum, Eigen::ComputeFullU | Eigen::ComputeFullV);
  const Eigen::Matrix3d world = svd.matrixU() * svd.matrixV().transpose();
  const Eigen::Matrix4d similarity = Eigen::umeyama(centres, true_centres, true);
  const Eigen::Matrix3Xd moved =
      (similarity.topLeftCorner<3, 3>() * centres).colwise() + similarity.topRightCorner<3, 1>();
  const Eigen::Vector3d middle = true_centres.rowwise().mean();
  PoseAgreement result;
  for (Eigen::Index i = 0; i < n; ++i) {
    const auto k = static_cast<std::size_t>(i);
    result.rotation =
        std::max(result.rotation, rotation_angle_between(found[k].R, truth[k].R * world));
    result.centre = std::max(result.centre, (moved.col(i) - true_centres.col(i)).norm() /
                                                (true_centres.col(i) - middle).norm());
  }
  return result;
}

}  // namespace trunnion::test
