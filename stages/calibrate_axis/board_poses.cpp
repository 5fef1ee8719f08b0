#include "stages/calibrate_axis/board_poses.h"

#include <Eigen/Eigenvalues>
#include <Eigen/Geometry>
#include <Eigen/QR>
#include <Eigen/SVD>
#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/calib3d.hpp>

#include "core/angle.h"

namespace trunnion::calibrate_axis {
namespace {

Pose pose_from(const cv::Mat& rvec, const cv::Mat& tvec) {
  const Eigen::Vector3d r(rvec.at<double>(0), rvec.at<double>(1), rvec.at<double>(2));
  Pose pose;
  if (r.norm() > 0) pose.R = rotation_about(r.normalized(), r.norm());
  pose.t = {tvec.at<double>(0), tvec.at<double>(1), tvec.at<double>(2)};
  return pose;
}

// Scaled orthography sees the plane by a 2 x 2 matrix M = first two rows and columns of R; the
// third column has length sqrt(1 - |column|^2), and its sign is not to be seen.
BoardPose telecentric_pose(const Camera& camera, const std::vector<Eigen::Vector2d>& board,
                           const std::vector<Eigen::Vector2d>& seen) {
  Eigen::MatrixXd A(static_cast<Eigen::Index>(board.size()), 3);
  Eigen::MatrixXd b(static_cast<Eigen::Index>(board.size()), 2);
  for (std::size_t i = 0; i < board.size(); ++i) {
    const auto k = static_cast<Eigen::Index>(i);
    A.row(k) << board[i].x(), board[i].y(), 1.0;
    b.row(k) = seen[i].transpose();
  }
  const Eigen::Matrix<double, 3, 2> solution = A.colPivHouseholderQr().solve(b);
  const Eigen::Matrix2d M = solution.topRows<2>().transpose();
  const double x2 = std::max(0.0, 1.0 - M.col(0).squaredNorm());
  const double y2 = std::max(0.0, 1.0 - M.col(1).squaredNorm());
  const double sign = M.col(0).dot(M.col(1)) > 0 ? -1.0 : 1.0;
  const auto build = [&](double flip) {
    Eigen::Matrix3d R;
    R.col(0) << M.col(0), flip * std::sqrt(x2);
    R.col(1) << M.col(1), flip * sign * std::sqrt(y2);
    R.col(2) = R.col(0).cross(R.col(1));
    const Eigen::JacobiSVD<Eigen::Matrix3d> svd(R, Eigen::ComputeFullU | Eigen::ComputeFullV);
    Pose pose;
    pose.R = svd.matrixU() * svd.matrixV().transpose();
    pose.t << solution.row(2).transpose(), 0.0;
    return pose;
  };
  const Eigen::MatrixXd off =
      (A * solution - b) * Eigen::Vector2d(camera.fx, camera.fy).asDiagonal();
  return {build(1.0), build(-1.0), std::sqrt(off.rowwise().squaredNorm().mean())};
}

Eigen::Vector3d axis_of(const Eigen::Matrix3d& R) {
  return Eigen::AngleAxisd(R).axis();
}

// A choice of mirror poses, and how far their boards' axes are from being one.
struct Choice {
  std::vector<Pose> poses;
  double miss = 0;  // rad, summed over the sightings
};

// The poses that keep an axis of the camera frame where the first pose has it in the board.
Choice along(const std::vector<BoardPose>& found, const Pose& first, const Eigen::Vector3d& axis) {
  const Eigen::Vector3d in_board = first.R.transpose() * axis;
  const auto miss = [&](const Pose& pose) {
    const Eigen::Vector3d here = pose.R.transpose() * axis;
    return std::atan2(here.cross(in_board).norm(), here.dot(in_board));
  };
  Choice choice;
  for (const BoardPose& pose : found) {
    choice.poses.push_back(miss(pose.mirror) < miss(pose.pose) ? pose.mirror : pose.pose);
    choice.miss += miss(choice.poses.back());
  }
  return choice;
}

}  // namespace

BoardPose board_pose(const AxisRequest& request, const AxisSighting& sighting) {
  std::vector<cv::Point3d> object;
  std::vector<cv::Point2d> image;
  std::vector<Eigen::Vector2d> board;
  std::vector<Eigen::Vector2d> seen;
  for (const BoardCorner& corner : sighting.corners) {
    const Eigen::Vector2d n = normalise(request.camera, corner.position_px);
    if (!n.allFinite()) continue;
    board.emplace_back(corner.column * request.pattern.square_mm,
                       corner.row * request.pattern.square_mm);
    seen.push_back(n);
    object.emplace_back(board.back().x(), board.back().y(), 0.0);
    image.emplace_back(n.x(), n.y());
  }
  if (request.camera.projection == Projection::telecentric)
    return telecentric_pose(request.camera, board, seen);
  std::vector<cv::Mat> rotations;
  std::vector<cv::Mat> translations;
  cv::solvePnPGeneric(object, image, cv::Mat::eye(3, 3, CV_64F), cv::noArray(), rotations,
                      translations, false, cv::SOLVEPNP_IPPE);
  BoardPose result;
  result.rms_px = -1;
  for (std::size_t k = 0; k < std::min<std::size_t>(rotations.size(), 2); ++k) {
    cv::solvePnPRefineLM(object, image, cv::Mat::eye(3, 3, CV_64F), cv::noArray(), rotations[k],
                         translations[k]);
    const Pose pose = pose_from(rotations[k], translations[k]);
    double sum = 0;
    for (std::size_t i = 0; i < board.size(); ++i) {
      const Eigen::Vector3d x = pose * Eigen::Vector3d(board[i].x(), board[i].y(), 0.0);
      const Eigen::Vector2d d = x.hnormalized() - seen[i];
      sum += (d.array() * Eigen::Array2d(request.camera.fx, request.camera.fy)).square().sum();
    }
    const double rms = std::sqrt(sum / static_cast<double>(board.size()));
    result.mirror = pose;
    if (result.rms_px < 0 || rms < result.rms_px) {
      std::swap(result.pose, result.mirror);
      result.rms_px = rms;
    }
  }
  return result;
}

std::vector<Pose> board_poses(const AxisRequest& request, const std::vector<std::size_t>& ring,
                              const Eigen::Vector3d& up) {
  std::vector<BoardPose> found;
  std::vector<Pose> poses;
  for (const std::size_t i : ring) {
    found.push_back(board_pose(request, request.sightings[i]));
    poses.push_back(found.back().pose);
  }
  if (found.empty() || request.camera.projection != Projection::telecentric) return poses;
  double least = std::numeric_limits<double>::infinity();
  for (const Pose& first : {found.front().pose, found.front().mirror}) {
    for (std::size_t k = 1; k < ring.size(); ++k) {
      const double given = std::remainder(
          request.sightings[ring[k]].stage_angle - request.sightings[ring[0]].stage_angle,
          2.0 * kPi);
      for (const Eigen::Matrix3d& other : {found[k].pose.R, found[k].mirror.R}) {
        const Eigen::Vector3d turn = axis_of(other * first.R.transpose());
        const Eigen::Vector3d axis = given < 0 ? Eigen::Vector3d(-turn) : turn;
        // In the image alone: the mirror image keeps the part along the line of sight.
        if (axis.head<2>().dot(up.head<2>()) < 0) continue;
        Choice choice = along(found, first, axis);
        if (choice.miss >= least) continue;
        least = choice.miss;
        poses = std::move(choice.poses);
      }
    }
  }
  return poses;
}

Motion motion_of(const std::vector<Pose>& poses, const std::vector<double>& given_angles,
                 const Eigen::Vector3d& up) {
  // The axis direction d is what every relative rotation leaves alone: (R_ij - I) d = 0; the point
  // on it solves (I - R_ij) c = t_ij. Pairs that turned very little get almost no weight.
  Eigen::Matrix3d fixed = Eigen::Matrix3d::Zero();
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  for (std::size_t i = 0; i < poses.size(); ++i) {
    for (std::size_t j = i + 1; j < poses.size(); ++j) {
      const Pose motion = poses[j] * poses[i].inverse();
      const Eigen::Matrix3d A = Eigen::Matrix3d::Identity() - motion.R;
      fixed += A.transpose() * A;
      normal += A.transpose() * A;
      right += A.transpose() * motion.t;
    }
  }
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix3d> eigen(fixed);
  Motion result;
  result.axis.direction = eigen.eigenvectors().col(0);
  const double along_up = result.axis.direction.dot(up);
  if (along_up < 0) result.axis.direction = -result.axis.direction;
  // The point next to the optical axis; the direction along the axis is free.
  Eigen::Vector3d point = normal.completeOrthogonalDecomposition().solve(right);
  const Eigen::Vector2d d = result.axis.direction.head<2>();
  if (d.squaredNorm() > 1e-12) {
    point -= result.axis.direction * (point.head<2>().dot(d) / d.squaredNorm());
  }
  result.axis.origin_mm = point;
  const Eigen::Vector3d across = result.axis.direction.unitOrthogonal();
  for (std::size_t i = 0; i < poses.size(); ++i) {
    const Eigen::Matrix3d turned = poses[i].R * poses[0].R.transpose();
    const Eigen::Vector3d moved = turned * across;
    const double angle =
        std::atan2(across.cross(moved).dot(result.axis.direction), across.dot(moved));
    result.angles.push_back(angle);
  }
  // A camera on its side says nothing about up: then the given direction is used.
  double sense = 0;
  for (std::size_t i = 0; i < poses.size(); ++i) {
    sense += std::sin(given_angles[i] - given_angles[0]) * std::sin(result.angles[i]);
  }
  if (std::abs(along_up) < 0.3 && sense < 0) {
    result.axis.direction = -result.axis.direction;
    for (double& angle : result.angles) angle = -angle;
  }
  const double sign = sense < 0 && std::abs(along_up) >= 0.3 ? -1.0 : 1.0;
  for (std::size_t i = 0; i < poses.size(); ++i) {
    const double expected = sign * (given_angles[i] - given_angles[0]);
    result.angles[i] += 2.0 * kPi * std::round((expected - result.angles[i]) / (2.0 * kPi));
  }
  return result;
}

}  // namespace trunnion::calibrate_axis
