#include "pipeline/hull_files.h"

#include <fmt/format.h>

#include <opencv2/imgcodecs.hpp>

#include "core/files.h"
#include "pipeline/image_steps.h"
#include "pipeline/interrupt.h"
#include "stages/hull/hull.h"
#include "stages/report/report.h"

namespace trunnion {
namespace {

// Views with a mask whose pose is not denied by the images, and their places in the set.
struct Views {
  std::vector<hull::HullView> views;
  std::vector<std::size_t> places;
};

Views views_of(const Scene& scene) {
  Views chosen;
  for (std::size_t k = 0; k < scene.views.size(); ++k) {
    const View& view = scene.views[k];
    if (view.mask_file.empty() || view.state == PoseState::contradicted) continue;
    chosen.views.push_back({.name = view.source_file,
                            .ring = view.ring,
                            .station = view.station,
                            .camera = ideal(scene.camera),
                            .pose = view.pose,
                            .covariance = view.covariance});
    chosen.places.push_back(k);
  }
  return chosen;
}

cv::Mat picture_of(const SetRun& set, std::size_t item) {
  const std::string pictures = kept_of(kPictures, set.items[item], set);
  if (pictures.empty()) return {};
  const std::string jpeg = report::unpack_thumbnails(pictures).after_jpeg;
  return cv::imdecode(
      cv::Mat(1, static_cast<int>(jpeg.size()), CV_8U, const_cast<char*>(jpeg.data())),
      cv::IMREAD_COLOR);
}

std::string extent_text(const hull::Extent& extent) {
  return fmt::format("{}{:.3f} mm (sigma {:.3f}){}",
                     extent.upper_bound && !extent.cut ? "at most " : "", extent.length_mm,
                     extent.sigma_mm, extent.cut ? " as far as the frame shows it" : "");
}

}  // namespace

std::string make_hull(SetRun& set) {
  const HullSettings& settings = set.settings().hull;
  if (!settings.enabled || !set.settings().mask.enabled) return "off by setting";
  const Scene& scene = set.outcome.scene;
  if (scene.camera.distorts()) return "needs undistorted images";
  const Views chosen = views_of(scene);
  const fs::path prepared = set.workspace.prepared();
  hull::HullOptions options;
  options.most_triangles = static_cast<std::size_t>(settings.most_triangles);
  const auto mask = [&](std::size_t k) {
    check_interrupt();
    const fs::path file = prepared / scene.views[chosen.places[k]].mask_file;
    return read_image(file, image_limits(set.settings().limits));
  };
  hull::Hull hull = hull::build_hull(chosen.views, mask, options);
  set.add(hull.findings);
  if (hull.mesh.triangles.empty()) return "empty";
  hull::colour_mesh(hull.mesh, chosen.views,
                    [&](std::size_t k) { return picture_of(set, chosen.places[k]); });
  const auto write = [&](const std::string& name, const std::string& bytes) {
    check_interrupt();
    write_file(prepared / name, bytes);
    set.outputs.record("prepared/" + name, "hull");
    set.outcome.outputs.push_back("prepared/" + name);
  };
  write("hull.glb", hull::hull_glb(hull.mesh));
  write("hull.ply", hull::hull_ply(hull.mesh));
  write("hull.json", hull::hull_json(hull, chosen.views));
  const hull::Measures& measures = hull.measures;
  set.outcome.hull = fmt::format(
      "Visual hull: height {}, width {}, depth {}, volume at most {:.4g} mm3 "
      "(sigma {:.2g}).",
      extent_text(measures.height), extent_text(measures.width), extent_text(measures.depth),
      measures.volume.value, measures.volume.sigma);
  return fmt::format("{} triangles", hull.mesh.triangles.size());
}

}  // namespace trunnion
