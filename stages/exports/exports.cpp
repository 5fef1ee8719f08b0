#include "stages/exports/exports.h"

#include <fmt/format.h>

#include <cmath>

namespace trunnion::exports {
namespace {

Findings limits_of_formats(const Scene& scene) {
  Findings findings;
  const Camera& camera = scene.camera;
  const double dx = camera.cx - 0.5 * (camera.width_px - 1);
  const double dy = camera.cy - 0.5 * (camera.height_px - 1);
  if (std::hypot(dx, dy) > 1e-6) {
    findings.push_back(
        {Severity::note, "export", "cameras.gltf",
         fmt::format("glTF has no principal point; it is ({:+.2f}, {:+.2f}) px from the image "
                     "centre and is given in extras only.",
                     dx, dy),
         "Set undistort.centre_principal_point = true where a reader needs it centred."});
  }
  if (camera.distorts()) {
    findings.push_back({Severity::note, "export", "cameras.gltf",
                        "glTF has no lens distortion, and the images still have it.",
                        "Set undistort.enabled = true for readers of glTF."});
  }
  if (camera.projection == Projection::telecentric) {
    findings.push_back(
        {Severity::note, "export", "exterior.csv",
         "The camera is telecentric: projection centres carry no information along the viewing "
         "direction; camera.yml names its scale telecentric_matrix.",
         "Use cameras.json, cameras.gltf or the matrix formats with a reader of orthographic "
         "cameras."});
  }
  return findings;
}

// Which files lack the views whose poses are contradicted.
void tell_left_out(const Scene& scene, const OutputSettings& settings, Findings& findings) {
  std::vector<std::string> names;
  for (const View& view : scene.views) {
    if (view.state == PoseState::contradicted) names.push_back(view.name);
  }
  if (names.empty()) return;
  std::vector<std::string> files{"poses_matrix.csv", "poses_quaternion.csv", "centres.ply",
                                 "scale.csv"};
  for (const TemplateSettings& each : settings.templates) {
    if (!template_marks_state(each)) files.push_back(each.name);
  }
  findings.push_back(
      {Severity::note, "export", "",
       fmt::format("{} of {} poses are contradicted. They are left out of {}, which can't mark "
                   "them; cameras.json, exterior.csv and cameras.gltf hold them, marked and with "
                   "wide sigmas.",
                   names.size(), scene.views.size(), fmt::join(files, ", ")),
       "Correct what the faults of refine name; a template that prints pose_state keeps all "
       "views."});
}

}  // namespace

ExportResult export_scene(const Scene& scene, const fs::path& prepared,
                          const ThumbnailReader& thumbnail, const OutputSettings& settings,
                          const Review& review) {
  ExportResult result;
  result.findings = limits_of_formats(scene);
  tell_left_out(scene, settings, result.findings);
  // Everything is rendered before anything is written: a faulty template leaves the older files.
  TextFiles texts{{"cameras.json", cameras_json(scene, review)},
                  {"exterior.csv", exterior_csv(scene, review)},
                  {"poses_matrix.csv", poses_matrix_csv(scene)},
                  {"poses_quaternion.csv", poses_quaternion_csv(scene)},
                  {"cameras.gltf", cameras_gltf(scene, thumbnail)},
                  {"camera.yml", camera_yml(scene)},
                  {"centres.ply", centres_ply(scene)}};
  if (!scene.tie_points.empty()) texts.emplace_back("tie_points.ply", tie_points_ply(scene));
  texts.emplace_back("scale.csv", scale_csv(scene));
  for (const TemplateSettings& each : settings.templates) {
    for (auto& rendered : render_template(scene, each)) texts.push_back(std::move(rendered));
  }
  for (const auto& [name, text] : texts) {
    write_file(prepared / name, text);
    result.files.emplace_back(name);
  }
  return result;
}

}  // namespace trunnion::exports
