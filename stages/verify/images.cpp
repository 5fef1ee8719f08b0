// Images, masks and sidecars against cameras.json.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "core/angle.h"
#include "core/error.h"
#include "core/hash.h"
#include "core/image_io.h"
#include "core/metadata.h"
#include "stages/verify/checks.h"

namespace trunnion::verify {
namespace {

template <typename Vector>
std::vector<double> list_of(const Vector& vector) {
  return {vector.data(), vector.data() + vector.size()};
}

// Compares tags one by one and keeps the first that is wrong.
class Tags {
 public:
  explicit Tags(const Metadata& metadata) : metadata_(metadata) {}

  [[nodiscard]] std::vector<double> xmp(const std::string& name) const {
    std::vector<double> values;
    const auto at = metadata_.xmp.findKey(Exiv2::XmpKey(kNamespacePrefix, name));
    if (at == metadata_.xmp.end()) return values;
    // The count of a simple text is its length, of an array that of its items.
    const long count = at->typeId() == Exiv2::xmpText ? 1 : at->count();
    for (long i = 0; i < count; ++i) {
      const std::string text = count == 1 ? at->toString() : at->toString(i);
      values.push_back(std::strtod(text.c_str(), nullptr));
    }
    return values;
  }
  [[nodiscard]] std::string xmp_text(const std::string& name) const {
    const auto at = metadata_.xmp.findKey(Exiv2::XmpKey(kNamespacePrefix, name));
    return at == metadata_.xmp.end() ? "" : at->toString();
  }
  [[nodiscard]] double exif(const char* key) const {
    const auto at = metadata_.exif.findKey(Exiv2::ExifKey(key));
    if (at == metadata_.exif.end() || at->count() == 0) return std::nan("");
    // Through its text: the library's own conversion takes unsigned fractions for signed ones.
    const std::string text = at->toString();
    char* end = nullptr;
    const double numerator = std::strtod(text.c_str(), &end);
    return *end == '/' ? numerator / std::strtod(end + 1, nullptr) : numerator;
  }
  [[nodiscard]] std::string exif_text(const char* key) const {
    const auto at = metadata_.exif.findKey(Exiv2::ExifKey(key));
    return at == metadata_.exif.end() ? "" : at->toString();
  }

  void numbers(const std::string& name, const std::vector<double>& expected) {
    const std::vector<double> found = xmp(name);
    bool same = found.size() == expected.size();
    for (std::size_t i = 0; same && i < found.size(); ++i) {
      same = std::abs(found[i] - expected[i]) <= 1e-9 * std::max(1.0, std::abs(expected[i]));
    }
    require(same, "XMP " + name);
  }
  void number(const std::string& name, double expected) { numbers(name, {expected}); }
  void text(const std::string& name, const std::string& expected) {
    require(xmp_text(name) == expected, "XMP " + name);
  }
  void require(bool fits, const std::string& tag) {
    if (!fits && wrong_.empty()) wrong_ = tag + " does not agree with cameras.json.";
  }
  [[nodiscard]] const std::string& wrong() const { return wrong_; }

 private:
  const Metadata& metadata_;
  std::string wrong_;
};

void compare_pose(Tags& tags, const View& view) {
  const Pose& pose = view.pose;
  const Eigen::Matrix<double, 3, 3, Eigen::RowMajor> rows = pose.R;
  const Eigen::Vector<double, 6> sigma = view.covariance.diagonal().cwiseMax(0.0).cwiseSqrt();
  tags.text("PoseState", std::string(name_of(view.state)));
  tags.numbers("CameraFromWorld_rows", list_of(rows));
  tags.numbers("Translation_mm", list_of(pose.t));
  tags.numbers("Centre_mm", list_of(pose.centre_mm()));
  tags.numbers("Quaternion_wxyz", list_of(quaternion_wxyz(pose.R)));
  tags.numbers("SigmaRotation_deg", {degrees(sigma[0]), degrees(sigma[1]), degrees(sigma[2])});
  tags.numbers("SigmaCentre_mm", {sigma[3], sigma[4], sigma[5]});
  tags.text("Ring", view.ring);
  tags.text("Station", std::to_string(view.station));
  tags.number("StageAngle_deg", degrees(view.stage_angle));
  tags.number("SigmaStageAngle_deg", degrees(view.sigma_stage_angle));
  tags.text("MaskFile", view.mask_file);
  tags.text("SourceFile", view.source_file);
}

void compare_camera(Tags& tags, const Scene& scene) {
  const Camera& camera = scene.camera;
  const bool perspective = camera.projection == Projection::perspective;
  tags.text("Projection", perspective ? "perspective" : "telecentric");
  tags.number(perspective ? "FocalX_px" : "ScaleX_px_per_mm", camera.fx);
  tags.number(perspective ? "FocalY_px" : "ScaleY_px_per_mm", camera.fy);
  tags.number("PrincipalPointX_px", camera.cx);
  tags.number("PrincipalPointY_px", camera.cy);
  tags.number("PixelPitch_um", scene.pixel_pitch_um);
  tags.text("CalibrationHash", scene.calibration_hash);
  tags.text("Setup", scene.setup_name);
  if (scene.source_camera.distorts()) {
    const auto& terms = scene.source_camera.distortion;
    tags.numbers("Distortion", {terms.begin(), terms.end()});
  }
}

// Exif: whatever way a reader takes to a focal length in pixels, it must end at fx and fy.
void compare_exif(Tags& tags, const Scene& scene, const View& view, FileType type) {
  const Camera& camera = scene.camera;
  tags.require(tags.exif("Exif.Image.Orientation") == 1, "Exif Orientation");
  tags.require(tags.exif("Exif.Photo.CompositeImage") == 2, "Exif CompositeImage");
  tags.require(tags.exif_text("Exif.Photo.ImageUniqueID") ==
                   hash_bytes(tags.xmp_text("SourceHash") + "|" + view.name),
               "Exif ImageUniqueID");
  if (type != FileType::tiff) {
    tags.require(tags.exif("Exif.Photo.PixelXDimension") == camera.width_px &&
                     tags.exif("Exif.Photo.PixelYDimension") == camera.height_px,
                 "Exif PixelXDimension or PixelYDimension");
  }
  if (camera.projection == Projection::telecentric) return;
  const double x_per_mm = tags.exif("Exif.Photo.FocalPlaneXResolution") / 10.0;
  const double y_per_mm = tags.exif("Exif.Photo.FocalPlaneYResolution") / 10.0;
  const double principal_mm = camera.fx * scene.pixel_pitch_um / 1000.0;
  tags.number("PrincipalDistance_mm", principal_mm);
  tags.require(tags.exif("Exif.Photo.FocalPlaneResolutionUnit") == 3,
               "Exif FocalPlaneResolutionUnit");
  tags.require(std::abs(principal_mm * x_per_mm / camera.fx - 1) <= 1e-6,
               "Exif FocalPlaneXResolution");
  tags.require(std::abs(principal_mm * y_per_mm / camera.fy - 1) <= 1e-6,
               "Exif FocalPlaneYResolution");
  // The lens's own focal length may be in FocalLength by setting; XMP says which one it is.
  const double focal_mm = tags.exif("Exif.Photo.FocalLength");
  const std::vector<double> own = tags.xmp("LensFocalLength_mm");
  tags.require(std::abs(focal_mm / principal_mm - 1) <= 1e-6 ||
                   (own.size() == 1 && std::abs(focal_mm / own[0] - 1) <= 1e-6),
               "Exif FocalLength");
  const double film_mm = tags.exif("Exif.Photo.FocalLengthIn35mmFilm");
  if (std::isnan(film_mm)) return;
  const double diagonal_mm = std::hypot(camera.width_px / x_per_mm, camera.height_px / y_per_mm);
  tags.require(std::abs(film_mm * diagonal_mm / std::hypot(36.0, 24.0) / focal_mm - 1) <= 1e-3,
               "Exif FocalLengthIn35mmFilm");
}

// The first tag that is wrong, as a sentence; empty where all fit.
std::string wrong_tag(const Metadata& metadata, const Scene& scene, const View& view,
                      std::optional<FileType> with_exif) {
  Tags tags(metadata);
  compare_pose(tags, view);
  compare_camera(tags, scene);
  if (with_exif) compare_exif(tags, scene, view, *with_exif);
  return tags.wrong();
}

}  // namespace

void check_images(const fs::path& prepared, const Scene& scene, VerifyResult& result) {
  std::optional<ImageInfo> first;
  const auto check_size = [&](const std::string& file) {
    const ImageInfo info = probe_image(prepared / file);
    if (info.width_px != scene.camera.width_px || info.height_px != scene.camera.height_px) {
      add_fault(
          result, "prepared/" + file,
          fmt::format("The image has {} x {} pixels, cameras.json says {} x {}.", info.width_px,
                      info.height_px, scene.camera.width_px, scene.camera.height_px));
    }
    return info;
  };
  const auto check = [&](const std::string& file, const auto& read) {
    try {
      const std::string wrong = read();
      if (!wrong.empty()) add_fault(result, "prepared/" + file, wrong);
    } catch (const Error& error) {
      add_fault(result, "prepared/" + file, error.what());
    }
  };
  for (const View& view : scene.views) {
    check(view.image_file, [&]() -> std::string {
      const ImageInfo info = check_size(view.image_file);
      if (!first) first = info;
      if (info.bits != first->bits || info.channels != first->channels) {
        return fmt::format("The image has {} channels of {} bits, the first of the set {} of {}.",
                           info.channels, info.bits, first->channels, first->bits);
      }
      ++result.images;
      return wrong_tag(read_metadata(prepared / view.image_file), scene, view, info.type);
    });
    if (!view.mask_file.empty()) {
      check(view.mask_file, [&]() -> std::string {
        check_size(view.mask_file);
        return {};
      });
    }
    const std::string sidecar =
        fs::path(view.image_file).replace_extension(".xmp").generic_string();
    if (!fs::exists(prepared / sidecar)) continue;
    check(sidecar,
          [&] { return wrong_tag(read_metadata(prepared / sidecar), scene, view, std::nullopt); });
  }
}

}  // namespace trunnion::verify
