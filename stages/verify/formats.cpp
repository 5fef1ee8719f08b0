// Formats and texts against cameras.json.
#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <charconv>
#include <cmath>
#include <map>
#include <optional>

#include "core/error.h"
#include "stages/verify/checks.h"
#include "stages/verify/readers.h"

namespace trunnion::verify {
namespace {

// Points about the specimen: corners and middle of a cube a third of the field of view wide.
std::vector<Eigen::Vector3d> test_points(const Scene& scene) {
  double half_mm = 1.0;
  if (!scene.views.empty()) {
    const Camera& c = scene.camera;
    const double distance =
        c.projection == Projection::perspective ? scene.views[0].pose.t.norm() : 1.0;
    half_mm = distance * std::min(c.width_px / c.fx, c.height_px / c.fy) / 6.0;
  }
  std::vector<Eigen::Vector3d> points{Eigen::Vector3d::Zero()};
  for (int i = 0; i < 8; ++i) {
    points.push_back(half_mm * Eigen::Vector3d((i & 1) != 0 ? 1 : -1, (i & 2) != 0 ? 1 : -1,
                                               (i & 4) != 0 ? 1 : -1));
  }
  return points;
}

// All formats are written in double precision; what turning angles and quaternions into matrices
// costs stays far below this.
constexpr double kPose = 1e-9;

// What formats hold that can't mark a contradicted pose.
Scene without_contradicted(Scene scene) {
  std::erase_if(scene.views,
                [](const View& view) { return view.state == PoseState::contradicted; });
  return scene;
}

// Compares a format with cameras.json; the camera of the format where it holds one.
class Comparison {
 public:
  Comparison(const Scene& truth, VerifyResult& result)
      : truth_(truth), points_(test_points(truth)), result_(result) {}

  void add(const std::string& file, const std::vector<ReadView>& views, const Camera& camera,
           double allowed_px) {
    if (views.size() != truth_.views.size()) {
      add_fault(result_, file,
                fmt::format("The file has {} views, but {} are expected by cameras.json.",
                            views.size(), truth_.views.size()));
      return;
    }
    double largest = 0;
    std::string other_pose;
    for (std::size_t i = 0; i < views.size(); ++i) {
      if (views[i].image != truth_.views[i].image_file) {
        add_fault(result_, file,
                  fmt::format("View {} is of {}, but of {} in cameras.json.", i + 1, views[i].image,
                              truth_.views[i].image_file));
        return;
      }
      // Along the viewing direction a pose may be wrong by more than its pixels show.
      const Pose& pose = truth_.views[i].pose;
      if (other_pose.empty() &&
          !((views[i].pose.R - pose.R).norm() <= kPose &&
            (views[i].pose.t - pose.t).norm() <= kPose * pose.t.norm() + kPose)) {
        other_pose = views[i].image;
      }
      for (const Eigen::Vector3d& point : points_) {
        const double distance = (project(camera, views[i].pose * point) -
                                 project(truth_.camera, truth_.views[i].pose * point))
                                    .norm();
        // A NaN must not hide behind max().
        largest = std::isfinite(distance) ? std::max(largest, distance) : 1e9;
      }
    }
    result_.formats.push_back({file, largest, allowed_px});
    if (largest > allowed_px) {
      add_fault(result_, file,
                fmt::format("Points projected with this file differ by up to {:.3g} px from those "
                            "of cameras.json; {:g} px are allowed.",
                            largest, allowed_px));
    } else if (!other_pose.empty()) {
      add_fault(result_, file,
                fmt::format("The pose of {} differs from cameras.json.", other_pose));
    }
  }

 private:
  const Scene& truth_;
  std::vector<Eigen::Vector3d> points_;
  VerifyResult& result_;
};

void check_centres(const Scene& scene, const std::vector<Eigen::Vector3d>& centres,
                   VerifyResult& result) {
  if (centres.size() != scene.views.size()) {
    add_fault(result, "prepared/centres.ply",
              "The number of projection centres differs from the number of views.");
    return;
  }
  for (std::size_t i = 0; i < centres.size(); ++i) {
    if (!((centres[i] - scene.views[i].pose.centre_mm()).norm() <= 1e-6)) {
      add_fault(result, "prepared/centres.ply",
                fmt::format("Projection centre {} differs from cameras.json.", i + 1));
      return;
    }
  }
}

// The same points stand in both files; glTF holds them in single precision of a metre.
void check_tie_points(const std::vector<Eigen::Vector3d>& ply,
                      const std::vector<Eigen::Vector3d>& gltf, VerifyResult& result) {
  bool same = ply.size() == gltf.size();
  for (std::size_t i = 0; same && i < ply.size(); ++i) {
    same = (ply[i] - gltf[i]).norm() <= 1e-6 * std::max(1.0, ply[i].norm());
  }
  if (same) return;
  add_fault(result, "prepared/tie_points.ply",
            "The tie points differ from those of cameras.gltf; one of the two files was changed.");
}

void check_scale(const Scene& scene, const std::vector<ReadDistance>& distances,
                 VerifyResult& result) {
  std::map<std::string, Eigen::Vector3d> centres;
  for (const View& view : scene.views) centres[view.image_file] = view.pose.centre_mm();
  for (const ReadDistance& each : distances) {
    const bool known = centres.contains(each.from) && centres.contains(each.to);
    if (!known ||
        !(std::abs((centres[each.from] - centres[each.to]).norm() - each.distance_mm) <= 1e-6)) {
      add_fault(
          result, "prepared/scale.csv",
          fmt::format("The distance from {} to {} differs from cameras.json.", each.from, each.to));
      return;
    }
  }
}

void check_texts(const fs::path& prepared, const Scene& scene, const VerifyOptions& options,
                 VerifyResult& result) {
  if (!options.texts) return;
  for (const auto& [name, expected] : options.texts(scene)) {
    if (!fs::exists(prepared / name)) continue;  // a recorded file that is gone is a fault already
    ++result.texts;
    const std::string wrong = text_difference(expected, read_file(prepared / name, kTextLimit));
    if (!wrong.empty()) add_fault(result, "prepared/" + name, wrong);
  }
}

// Where a number begins that is no part of a word or of another number.
bool number_begins(std::string_view text, std::size_t at) {
  const auto part = [](char c) {
    return std::isalnum(static_cast<unsigned char>(c)) != 0 || c == '_' || c == '.';
  };
  const char c = text[at];
  return (std::isdigit(static_cast<unsigned char>(c)) != 0 || c == '-') &&
         (at == 0 || !part(text[at - 1]));
}

}  // namespace

std::string text_difference(std::string_view expected, std::string_view found) {
  constexpr double kLastDigits = 1e-9;
  std::size_t a = 0;
  std::size_t b = 0;
  const auto line = [&] {
    return 1 + std::count(found.begin(), found.begin() + static_cast<long>(b), '\n');
  };
  while (a < expected.size() && b < found.size()) {
    double wanted = 0;
    double got = 0;
    if (number_begins(expected, a) && number_begins(found, b)) {
      const auto first = std::from_chars(&expected[a], expected.data() + expected.size(), wanted);
      const auto second = std::from_chars(&found[b], found.data() + found.size(), got);
      if (first.ec == std::errc() && second.ec == std::errc()) {
        if (!(std::abs(wanted - got) <= kLastDigits * std::max(1.0, std::abs(wanted)))) {
          return fmt::format("Line {} has {}, but cameras.json gives {}.", line(), got, wanted);
        }
        a = static_cast<std::size_t>(first.ptr - expected.data());
        b = static_cast<std::size_t>(second.ptr - found.data());
        continue;
      }
    }
    if (expected[a] != found[b]) break;
    ++a;
    ++b;
  }
  if (a == expected.size() && b == found.size()) return {};
  return fmt::format("Line {} differs from what the template gives for cameras.json.", line());
}

// Each format is judged on its own: one that can't be read hides none of the others.
void check_formats(const fs::path& prepared, const Scene& scene, const VerifyOptions& options,
                   VerifyResult& result) {
  Comparison comparison(scene, result);
  const Scene standing = without_contradicted(scene);
  Comparison standing_comparison(standing, result);
  const auto with = [&](const char* name, const auto& check) {
    if (!fs::exists(prepared / name)) return;  // a recorded file that is gone is a fault already
    try {
      check(read_file(prepared / name, kTextLimit));
    } catch (const Error& error) {
      add_fault(result, std::string("prepared/") + name, error.what());
    }
  };
  const auto poses = [&](const char* name, auto read, Comparison& with_views) {
    with(name, [&, read](const std::string& text) {
      const ReadSet set = read(text);
      with_views.add(std::string("prepared/") + name, set.views, set.camera, options.text_px);
    });
  };
  poses("exterior.csv", read_exterior_csv, comparison);
  poses("poses_matrix.csv", read_matrix_csv, standing_comparison);
  poses("poses_quaternion.csv", read_quaternion_csv, standing_comparison);
  std::optional<ReadSet> gltf_set;
  with("cameras.gltf", [&](const std::string& text) {
    ReadSet& gltf = gltf_set.emplace(read_gltf(text));
    gltf.camera.distortion = scene.camera.distortion;  // the format has none
    comparison.add("prepared/cameras.gltf", gltf.views, gltf.camera, options.gltf_px);
  });
  with("camera.yml", [&](const std::string& text) {
    std::vector<ReadView> views;
    for (const View& view : scene.views) views.push_back({view.image_file, view.pose});
    comparison.add("prepared/camera.yml", views, read_camera_yml(text, ""), options.text_px);
    if (read_camera_yml(text, "source_") != scene.source_camera) {
      add_fault(result, "prepared/camera.yml",
                "The camera of the fused images differs from cameras.json.");
    }
  });
  with("centres.ply",
       [&](const std::string& text) { check_centres(standing, read_ply_points(text), result); });
  with("tie_points.ply", [&](const std::string& text) {
    const std::vector<Eigen::Vector3d> points = read_ply_points(text);
    if (points.size() != scene.tie_points.size()) {
      add_fault(result, "prepared/tie_points.ply",
                "The number of points differs from cameras.json.");
    }
    if (gltf_set) check_tie_points(points, gltf_set->points, result);
  });
  with("scale.csv",
       [&](const std::string& text) { check_scale(standing, read_scale_csv(text), result); });
  check_texts(prepared, scene, options, result);
}

}  // namespace trunnion::verify
