#include <algorithm>
#include <cmath>

#include "core/text.h"
#include "stages/exports/exports.h"

namespace trunnion::exports {
namespace {

// G. Turk, "The PLY polygon file format", 1994: a header of elements and properties. The format
// knows neither units nor frames, so comments say them.
constexpr const char* kFrame =
    "comment unit mm; world frame: origin on the rotation axis, +Z up along it, right-handed\n";

std::string header(std::string_view what, std::size_t count, std::string_view properties) {
  return fmt::format("ply\nformat ascii 1.0\ncomment {}\n{}element vertex {}\n{}end_header\n", what,
                     kFrame, count, properties);
}

}  // namespace

std::string centres_ply(const Scene& scene) {
  const auto stands = [](const View& view) { return view.state != PoseState::contradicted; };
  const auto count = std::count_if(scene.views.begin(), scene.views.end(), stands);
  std::string text = header(
      "projection centres, one vertex a view, in the order of cameras.json; without views whose "
      "poses are contradicted",
      static_cast<std::size_t>(count), "property double x\nproperty double y\nproperty double z\n");
  for (const View& view : scene.views) {
    if (!stands(view)) continue;
    const Eigen::Vector3d centre = view.pose.centre_mm();
    text += fmt::format("{} {} {}\n", number_text(centre.x()), number_text(centre.y()),
                        number_text(centre.z()));
  }
  return text;
}

std::string tie_points_ply(const Scene& scene) {
  std::string text = header("tie points of the refinement", scene.tie_points.size(),
                            "property double x\nproperty double y\nproperty double z\n"
                            "property uchar red\nproperty uchar green\nproperty uchar blue\n"
                            "property float sigma_mm\nproperty int views\n");
  for (const TiePoint& point : scene.tie_points) {
    const Eigen::Vector3d& p = point.position_mm;
    const double variance = std::max(0.0, point.covariance.trace() / 3.0);
    text += fmt::format("{} {} {} {} {} {} {} {}\n", number_text(p.x()), number_text(p.y()),
                        number_text(p.z()), point.rgb[0], point.rgb[1], point.rgb[2],
                        static_cast<float>(std::sqrt(variance)), point.observations.size());
  }
  return text;
}

}  // namespace trunnion::exports
