#include <nlohmann/json.hpp>

#include "config/record_json.h"
#include "config/review_json.h"
#include "core/angle.h"
#include "stages/exports/exports.h"

namespace trunnion::exports {
namespace {

using Json = nlohmann::ordered_json;

template <typename Vector>
Json list(const Vector& vector) {
  Json json = Json::array();
  for (Eigen::Index i = 0; i < vector.size(); ++i) json.push_back(vector[i] + 0.0);
  return json;
}

template <typename Matrix>
Json rows(const Matrix& matrix) {
  Json json = Json::array();
  for (Eigen::Index i = 0; i < matrix.rows(); ++i) {
    json.push_back(list(matrix.row(i).transpose().eval()));
  }
  return json;
}

Json conventions() {
  return {
      {"length", "mm"},
      {"angle", "degrees"},
      {"sigma", "1 standard deviation"},
      {"state",
       "confirmed: the images by themselves show the pose; turntable only: it follows from axis "
       "and "
       "stage angle, with their sigmas; contradicted: the images disagree with the pose that the "
       "files "
       "give, and the sigmas cover every pose that remains possible"},
      {"pixel", "x right, y down; (0, 0) is the centre of the top-left pixel"},
      {"camera_frame", "x right, y down, z forward"},
      {"world_frame",
       "fixed to the specimen, right-handed, origin on the rotation axis, +Z up along it, +X "
       "towards the camera at stage angle 0"},
      {"pose",
       "x_camera = rotation x_world + translation_mm; centre_mm = -rotation^T "
       "translation_mm"},
      {"quaternion", "w, x, y, z of rotation, unit, w >= 0"},
      {"covariance",
       "6 x 6, order: rotation about the camera's x, y, z (rad, applied on the left of rotation), "
       "then centre_mm X, Y, Z in the world"},
      {"perspective", "u = fx X/Z + cx, v = fy Y/Z + cy"},
      {"telecentric", "u = fx X + cx, v = fy Y + cy with fx, fy in px per mm"},
      {"distortion", "Brown-Conrady k1, k2, p1, p2, k3 on normalised coordinates"}};
}

Json camera_json(const Camera& camera, double pitch_um) {
  const bool perspective = camera.projection == Projection::perspective;
  Json json{{"projection", perspective ? "perspective" : "telecentric"},
            {"width_px", camera.width_px},
            {"height_px", camera.height_px},
            {perspective ? "fx_px" : "fx_px_per_mm", camera.fx},
            {perspective ? "fy_px" : "fy_px_per_mm", camera.fy},
            {"cx_px", camera.cx},
            {"cy_px", camera.cy},
            {"distortion", camera.distortion},
            {"pixel_pitch_um", pitch_um}};
  if (perspective) json["principal_distance_mm"] = camera.fx * pitch_um / 1000.0;
  return json;
}

Json pose_json(const Pose& pose, const PoseCovariance& covariance) {
  const Eigen::Vector<double, 6> sigma = covariance.diagonal().cwiseMax(0.0).cwiseSqrt();
  return {{"rotation", rows(pose.R)},
          {"translation_mm", list(pose.t)},
          {"centre_mm", list(pose.centre_mm())},
          {"quaternion_wxyz", list(quaternion_wxyz(pose.R))},
          {"sigma_rotation_deg",
           list((sigma.head<3>().unaryExpr([](double v) { return degrees(v); })).eval())},
          {"sigma_centre_mm", list(sigma.tail<3>().eval())},
          {"covariance", rows(covariance)}};
}

}  // namespace

std::string cameras_json(const Scene& scene, const Review& review) {
  Json json{{"format", "trunnion cameras"},
            {"version", 1},
            {"title", scene.title},
            {"conventions", conventions()},
            {"setup", scene.setup_name},
            {"calibration",
             {{"lens_calibrated", scene.lens_calibrated},
              {"axis_calibrated", scene.axis_calibrated},
              {"record_hash", scene.calibration_hash}}},
            {"refined", scene.refined},
            {"camera", camera_json(scene.camera, scene.pixel_pitch_um)},
            {"source_camera", camera_json(scene.source_camera, scene.pixel_pitch_um)},
            {"views", Json::array()},
            {"tie_points", scene.tie_points.size()}};
  for (const View& view : scene.views) {
    json["views"].push_back({{"name", view.name},
                             {"image", view.image_file},
                             {"mask", view.mask_file},
                             {"source", view.source_file},
                             {"ring", view.ring},
                             {"station", view.station},
                             {"stage_angle_deg", degrees(view.stage_angle)},
                             {"sigma_stage_angle_deg", degrees(view.sigma_stage_angle)},
                             {"state", name_of(view.state)},
                             {"pose", pose_json(view.pose, view.covariance)},
                             {"prior", pose_json(view.prior, view.prior_covariance)}});
  }
  if (!scene.record.empty()) json["specimen"] = specimen_record_json(scene.record);
  if (!review.excluded.empty() || !review.accepted.empty()) json["review"] = review_to_json(review);
  return json.dump(1, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace trunnion::exports
