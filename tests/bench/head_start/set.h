// The head-start measurement's own data: it shares nothing with trunnion but the files that
// trunnion wrote, so that what it shows is what any reconstruction would get from them.
#pragma once

#include <Eigen/Core>
#include <array>
#include <filesystem>
#include <map>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

namespace head_start {

struct Pose {
  Eigen::Matrix3d R = Eigen::Matrix3d::Identity();  // x_camera = R x_world + t
  Eigen::Vector3d t = Eigen::Vector3d::Zero();
};

struct View {
  std::string name;
  std::string ring;
  Pose prior;
  Eigen::Vector<double, 6> sigma = Eigen::Vector<double, 6>::Ones();  // rotation (rad), centre (mm)
  std::vector<cv::KeyPoint> keys;
  cv::Mat descriptors;
};

struct Set {
  cv::Matx33d K;
  std::vector<View> views;
  double feature_seconds = 0;
};

// Images, masks, camera and poses of prepared/; features are found here (SIFT, at most `features`
// an image).
Set read_set(const std::filesystem::path& prepared, int features);

// Takes the poses of prepared/cameras.json as the views' priors: "prior", as given by the rig
// before any refinement, or "pose", as exported in the end.
void take_poses(const std::filesystem::path& prepared, const std::string& which, Set& set);

// Rotations (and, where metric, poses) to compare with, by the view's name.
struct Reference {
  bool metric = false;
  std::map<std::string, Pose> poses;
};
// truth/cameras.json of a demo set.
Reference read_demo_truth(const std::filesystem::path& file);

}  // namespace head_start
