#include "stages/verify.h"

#include <fmt/format.h>

#include <cmath>
#include <map>
#include <set>
#include <sstream>

#include "core/error.h"
#include "core/hash.h"
#include "core/image_io.h"
#include "core/metadata.h"
#include "stages/verify_readers.h"

namespace trunnion {
namespace {

constexpr std::uintmax_t kTextLimit = 1U << 30U;
constexpr const char* kAgain = "Run trunnion prepare again; it makes anew what does not fit.";

void fault(VerifyResult& result, const std::string& file, const std::string& what) {
  result.findings.push_back({Severity::fault, "verify", file, what, kAgain});
}

void check_files(const fs::path& workspace, const Manifest& manifest, VerifyResult& result) {
  std::set<fs::path> known;
  for (const ManifestFile& entry : manifest.files) {
    known.insert(fs::path(entry.path).lexically_normal());
    const fs::path path = workspace / entry.path;
    std::error_code code;
    const std::uintmax_t bytes = fs::file_size(path, code);
    if (code) {
      fault(result, entry.path, "The file is recorded but not there.");
      continue;
    }
    ++result.files;
    result.bytes += bytes;
    if (bytes != entry.bytes) {
      fault(result, entry.path,
            fmt::format("The file has {} bytes, but {} were recorded.", bytes, entry.bytes));
    } else if (hash_file(path) != entry.hash) {
      fault(result, entry.path, "The content differs from what was recorded (hash).");
    }
  }
  const fs::path prepared = workspace / "prepared";
  std::error_code code;
  std::set<std::string> strangers;
  for (const auto& entry : fs::recursive_directory_iterator(prepared, code)) {
    const fs::path relative = fs::path("prepared") / entry.path().lexically_relative(prepared);
    if (entry.is_regular_file() && !known.contains(relative.lexically_normal())) {
      strangers.insert(relative.generic_string());
    }
  }
  for (const std::string& file : strangers) {
    result.findings.push_back({Severity::note, "verify", file, "The file is not of this run.",
                               "Nothing to do, or remove it if it is not yours."});
  }
}

// Points about the specimen: corners and middle of a cube a third of the field of view wide.
std::vector<Eigen::Vector3d> test_points(const ReadSet& set) {
  double half_mm = 1.0;
  if (!set.views.empty()) {
    const Camera& c = set.camera;
    const double distance =
        c.projection == Projection::perspective ? set.views[0].pose.t.norm() : 1.0;
    half_mm = distance * std::min(c.width_px / c.fx, c.height_px / c.fy) / 6.0;
  }
  std::vector<Eigen::Vector3d> points{Eigen::Vector3d::Zero()};
  for (int i = 0; i < 8; ++i) {
    points.push_back(half_mm * Eigen::Vector3d((i & 1) != 0 ? 1 : -1, (i & 2) != 0 ? 1 : -1,
                                               (i & 4) != 0 ? 1 : -1));
  }
  return points;
}

// Compares a format with cameras.json; the camera of the format where it holds one.
class Comparison {
 public:
  Comparison(const ReadSet& truth, VerifyResult& result)
      : truth_(truth), points_(test_points(truth)), result_(result) {}

  void add(const std::string& file, const std::vector<ReadView>& views, const Camera& camera,
           double allowed_px) {
    if (views.size() != truth_.views.size()) {
      fault(result_, file,
            fmt::format("The file holds {} views, cameras.json {}.", views.size(),
                        truth_.views.size()));
      return;
    }
    double largest = 0;
    for (std::size_t i = 0; i < views.size(); ++i) {
      if (views[i].image != truth_.views[i].image) {
        fault(result_, file,
              fmt::format("View {} is of {}, but of {} in cameras.json.", i + 1, views[i].image,
                          truth_.views[i].image));
        return;
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
      fault(result_, file,
            fmt::format("Points projected from this file lie up to {:.3g} px from those of "
                        "cameras.json; {:g} px are allowed.",
                        largest, allowed_px));
    }
  }

 private:
  const ReadSet& truth_;
  std::vector<Eigen::Vector3d> points_;
  VerifyResult& result_;
};

void check_centres(const ReadSet& set, const std::vector<Eigen::Vector3d>& centres,
                   VerifyResult& result) {
  if (centres.size() != set.views.size()) {
    fault(result, "prepared/centres.ply", "The number of centres is not that of the views.");
    return;
  }
  for (std::size_t i = 0; i < centres.size(); ++i) {
    if (!((centres[i] - set.views[i].pose.centre_mm()).norm() <= 1e-6)) {
      fault(result, "prepared/centres.ply",
            fmt::format("Centre {} is not that of cameras.json.", i + 1));
      return;
    }
  }
}

void check_scale(const ReadSet& set, const std::vector<ReadDistance>& distances,
                 VerifyResult& result) {
  std::map<std::string, Eigen::Vector3d> centres;
  for (const ReadView& view : set.views) centres[view.image] = view.pose.centre_mm();
  for (const ReadDistance& each : distances) {
    const bool known = centres.contains(each.from) && centres.contains(each.to);
    if (!known ||
        !(std::abs((centres[each.from] - centres[each.to]).norm() - each.distance_mm) <= 1e-6)) {
      fault(result, "prepared/scale.csv",
            fmt::format("The distance from {} to {} is not that of cameras.json.", each.from,
                        each.to));
      return;
    }
  }
}

// Each format is judged on its own: one that can't be read hides none of the others.
void check_formats(const fs::path& prepared, const ReadSet& set, const VerifyOptions& options,
                   VerifyResult& result) {
  Comparison comparison(set, result);
  const auto with = [&](const char* name, const auto& check) {
    if (!fs::exists(prepared / name)) return;  // a recorded file that is gone is a fault already
    try {
      check(read_file(prepared / name, kTextLimit));
    } catch (const Error& error) {
      fault(result, std::string("prepared/") + name, error.what());
    }
  };
  const auto poses = [&](const char* name, auto read) {
    with(name, [&, read](const std::string& text) {
      comparison.add(std::string("prepared/") + name, read(text), set.camera, options.text_px);
    });
  };
  poses("exterior.csv", read_exterior_csv);
  poses("poses_matrix.csv", read_matrix_csv);
  poses("poses_quaternion.csv", read_quaternion_csv);
  with("cameras.gltf", [&](const std::string& text) {
    ReadSet gltf = read_gltf(text);
    gltf.camera.distortion = set.camera.distortion;  // the format has none
    comparison.add("prepared/cameras.gltf", gltf.views, gltf.camera, options.gltf_px);
  });
  with("camera.yml", [&](const std::string& text) {
    comparison.add("prepared/camera.yml", set.views, read_camera_yml(text), options.text_px);
  });
  with("centres.ply",
       [&](const std::string& text) { check_centres(set, read_ply_points(text), result); });
  with("tie_points.ply", [&](const std::string& text) {
    if (read_ply_points(text).size() != set.tie_points) {
      fault(result, "prepared/tie_points.ply", "The number of points is not that of cameras.json.");
    }
  });
  with("scale.csv",
       [&](const std::string& text) { check_scale(set, read_scale_csv(text), result); });
}

std::vector<double> xmp_numbers(const Metadata& metadata, const char* name) {
  std::vector<double> values;
  const auto at = metadata.xmp.findKey(Exiv2::XmpKey(kNamespacePrefix, name));
  if (at == metadata.xmp.end()) return values;
  // The count of a simple text is its length, of an array that of its items.
  const long count = at->typeId() == Exiv2::xmpText ? 1 : at->count();
  for (long i = 0; i < count; ++i) {
    const std::string text = count == 1 ? at->toString() : at->toString(i);
    values.push_back(std::strtod(text.c_str(), nullptr));
  }
  return values;
}

double exif_number(const Metadata& metadata, const char* key) {
  const auto at = metadata.exif.findKey(Exiv2::ExifKey(key));
  if (at == metadata.exif.end() || at->count() == 0) return std::nan("");
  const Exiv2::Rational value = at->toRational();
  return static_cast<double>(value.first) / value.second;
}

// The sentence that is wrong about an image's metadata; empty where they fit.
std::string wrong_metadata(const Metadata& metadata, const Camera& camera, const Pose& pose) {
  const std::vector<double> R = xmp_numbers(metadata, "Rotation");
  const std::vector<double> t = xmp_numbers(metadata, "Translation_mm");
  if (R.size() != 9 || t.size() != 3) return "The XMP pose is missing.";
  for (int i = 0; i < 9; ++i) {
    if (!(std::abs(R[static_cast<std::size_t>(i)] - pose.R(i / 3, i % 3)) <= 1e-12)) {
      return "The rotation in XMP is not that of cameras.json.";
    }
  }
  for (int i = 0; i < 3; ++i) {
    if (!(std::abs(t[static_cast<std::size_t>(i)] - pose.t[i]) <= 1e-9)) {
      return "The translation in XMP is not that of cameras.json.";
    }
  }
  if (exif_number(metadata, "Exif.Image.Orientation") != 1) return "Exif Orientation is not 1.";
  if (camera.projection == Projection::telecentric) return {};
  // The lens's own focal length may stand in FocalLength by setting; XMP tells which.
  const double focal = exif_number(metadata, "Exif.Photo.FocalLength");
  const double per_mm = exif_number(metadata, "Exif.Photo.FocalPlaneXResolution") / 10.0;
  const std::vector<double> principal = xmp_numbers(metadata, "PrincipalDistance_mm");
  const std::vector<double> own = xmp_numbers(metadata, "LensFocalLength_mm");
  if (principal.size() != 1 || !(std::abs(principal[0] * per_mm / camera.fx - 1) <= 1e-6)) {
    return "Principal distance and pixel pitch do not lead to the focal length of cameras.json.";
  }
  const bool fits = std::abs(focal / principal[0] - 1) <= 1e-6 ||
                    (own.size() == 1 && std::abs(focal / own[0] - 1) <= 1e-6);
  return fits ? "" : "Exif FocalLength is neither the principal distance nor the lens's own.";
}

void check_images(const fs::path& prepared, const ReadSet& set, VerifyResult& result) {
  const auto check_size = [&](const std::string& file) {
    const ImageInfo info = probe_image(prepared / file);
    if (info.width_px == set.camera.width_px && info.height_px == set.camera.height_px) return;
    fault(result, "prepared/" + file,
          fmt::format("The image has {} x {} pixels, cameras.json says {} x {}.", info.width_px,
                      info.height_px, set.camera.width_px, set.camera.height_px));
  };
  for (const ReadView& view : set.views) {
    try {
      check_size(view.image);
      if (!view.mask.empty()) check_size(view.mask);
      const std::string wrong =
          wrong_metadata(read_metadata(prepared / view.image), set.camera, view.pose);
      if (!wrong.empty()) fault(result, "prepared/" + view.image, wrong);
      ++result.images;
    } catch (const Error& error) {
      fault(result, "prepared/" + view.image, error.what());
    }
  }
}

}  // namespace

VerifyResult verify(const fs::path& workspace, const Manifest& manifest,
                    const VerifyOptions& options) {
  VerifyResult result;
  check_files(workspace, manifest, result);
  const fs::path prepared = workspace / "prepared";
  try {
    const ReadSet set = read_cameras_json(read_file(prepared / "cameras.json", kTextLimit));
    check_formats(prepared, set, options, result);
    check_images(prepared, set, result);
  } catch (const Error& error) {
    fault(result, "prepared/cameras.json", error.what());
  }
  return result;
}

}  // namespace trunnion
