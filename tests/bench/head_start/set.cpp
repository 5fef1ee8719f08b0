#include "tests/bench/head_start/set.h"

#include <chrono>
#include <fstream>
#include <nlohmann/json.hpp>
#include <opencv2/features2d.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <stdexcept>

namespace head_start {
namespace {

using Json = nlohmann::json;

Json read_json(const std::filesystem::path& file) {
  std::ifstream in(file);
  if (!in) throw std::runtime_error(file.string() + " can't be read");
  return Json::parse(in);
}

Pose pose_from(const Json& json, const char* rotation, const char* translation) {
  Pose pose;
  for (int i = 0; i < 3; ++i) {
    const auto row = static_cast<std::size_t>(i);
    pose.t[i] = json.at(translation).at(row);
    for (int j = 0; j < 3; ++j) {
      pose.R(i, j) = json.at(rotation).at(row).at(static_cast<std::size_t>(j));
    }
  }
  return pose;
}

cv::Mat grey_8_bit(const std::filesystem::path& file) {
  const cv::Mat image = cv::imread(file.string(), cv::IMREAD_GRAYSCALE | cv::IMREAD_ANYDEPTH);
  if (image.empty()) throw std::runtime_error(file.string() + " can't be read");
  cv::Mat grey;
  image.convertTo(grey, CV_8U, image.depth() == CV_16U ? 1.0 / 257.0 : 1.0);
  return grey;
}

}  // namespace

Set read_set(const std::filesystem::path& prepared, int features) {
  const Json json = read_json(prepared / "cameras.json");
  Set set;
  const Json& camera = json.at("camera");
  set.K = cv::Matx33d(camera.at("fx_px"), 0, camera.at("cx_px"), 0, camera.at("fy_px"),
                      camera.at("cy_px"), 0, 0, 1);
  const auto begun = std::chrono::steady_clock::now();
  const auto detector = cv::SIFT::create(features);
  for (const Json& item : json.at("views")) {
    View view;
    view.name = item.at("name");
    view.ring = item.at("ring");
    const cv::Mat image = grey_8_bit(prepared / item.at("image").get<std::string>());
    const cv::Mat mask = grey_8_bit(prepared / item.at("mask").get<std::string>()) > 127;
    detector->detectAndCompute(image, mask, view.keys, view.descriptors);
    set.views.push_back(std::move(view));
  }
  set.feature_seconds =
      std::chrono::duration<double>(std::chrono::steady_clock::now() - begun).count();
  return set;
}

void take_poses(const std::filesystem::path& prepared, const std::string& which, Set& set) {
  const Json json = read_json(prepared / "cameras.json");
  for (std::size_t v = 0; v < set.views.size(); ++v) {
    const Json& item = json.at("views").at(v);
    const Json& pose = item.contains(which) ? item.at(which) : item.at("pose");
    View& view = set.views[v];
    view.prior = pose_from(pose, "rotation", "translation_mm");
    for (int i = 0; i < 3; ++i) {
      const auto k = static_cast<std::size_t>(i);
      view.sigma[i] =
          pose.at("sigma_rotation_deg").at(k).get<double>() * 3.14159265358979323846 / 180.0;
      view.sigma[3 + i] = pose.at("sigma_centre_mm").at(k);
    }
  }
}

Reference read_demo_truth(const std::filesystem::path& file) {
  Reference reference;
  reference.metric = true;
  const Json json = read_json(file);
  for (const Json& item : json.at("views")) {
    reference.poses[item.at("name")] = pose_from(item, "R", "t_mm");
  }
  return reference;
}

}  // namespace head_start
