#include "stages/annotate/xmp.h"

#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>
#include <map>

#include "core/angle.h"
#include "core/date.h"
#include "core/pose.h"
#include "core/text.h"
#include "stages/annotate/annotate.h"
#include "stages/annotate/policy.h"

namespace trunnion::annotate {
namespace {

class XmpWriter {
 public:
  explicit XmpWriter(Exiv2::XmpData& xmp) : xmp_(xmp) {}
  void text(const std::string& name, const std::string& value) {
    if (!value.empty()) xmp_[key(name)] = value;
  }
  void number(const std::string& name, double value) { text(name, number_text(value)); }
  template <typename Values>
  void list(const std::string& name, const Values& values) {
    Exiv2::XmpArrayValue array(Exiv2::xmpSeq);
    for (const double value : values) array.read(number_text(value));
    xmp_.add(Exiv2::XmpKey(key(name)), &array);
  }

 private:
  static std::string key(const std::string& name) { return "Xmp.trunnion." + name; }
  Exiv2::XmpData& xmp_;
};

void write_camera_xmp(XmpWriter& xmp, const Scene& scene, const Setup& setup) {
  const Camera& camera = scene.camera;
  const bool telecentric = camera.projection == Projection::telecentric;
  xmp.text("Projection", telecentric ? "telecentric" : "perspective");
  if (telecentric) {
    xmp.number("ScaleX_px_per_mm", camera.fx);
    xmp.number("ScaleY_px_per_mm", camera.fy);
  } else {
    xmp.number("PrincipalDistance_mm", camera.fx * scene.pixel_pitch_um / 1000.0);
    xmp.number("FocalX_px", camera.fx);
    xmp.number("FocalY_px", camera.fy);
  }
  xmp.number("PrincipalPointX_px", camera.cx);
  xmp.number("PrincipalPointY_px", camera.cy);
  xmp.number("PixelPitch_um", scene.pixel_pitch_um);
  const bool removed = scene.source_camera.distorts() && !camera.distorts();
  xmp.text("DistortionState", camera.distorts() ? "present" : removed ? "removed" : "none");
  if (scene.source_camera.distorts()) xmp.list("Distortion", scene.source_camera.distortion);
  xmp.text("CalibrationHash", scene.calibration_hash);
  xmp.text("Setup", scene.setup_name);
  xmp.text("BodyText", setup.body_text);
  xmp.text("LensText", setup.lens_text);
  xmp.number("LensFocalLength_mm", setup.focal_length_mm);
  if (setup.f_number > 0) xmp.number("MarkedFNumber", setup.f_number);
  if (setup.numerical_aperture > 0) xmp.number("NumericalAperture", setup.numerical_aperture);
  if (effective_f_number(setup) > 0) xmp.number("EffectiveFNumber", effective_f_number(setup));
  xmp.number("Magnification", setup.lateral_magnification());
  xmp.number("Extension_mm", setup.extension_mm);
  xmp.number("ObjectDistance_mm", setup.object_distance_mm());
}

void write_pose_xmp(XmpWriter& xmp, const Scene& scene, const View& view) {
  const Pose& pose = view.pose;
  std::vector<double> rotation;
  for (int row = 0; row < 3; ++row) {
    for (int column = 0; column < 3; ++column) rotation.push_back(pose.R(row, column));
  }
  const Eigen::Vector3d centre = pose.centre_mm();
  const Eigen::Vector4d quaternion = quaternion_wxyz(pose.R);
  const Eigen::Vector<double, 6> sigma = view.covariance.diagonal().cwiseMax(0.0).cwiseSqrt();
  xmp.text("PoseConvention",
           "x_camera = R x_world + t; camera x right, y down, z forward; world Z up along the "
           "rotation axis; mm; pixel (0, 0) is the centre of the top-left pixel");
  xmp.text("PoseSource", scene.refined           ? "refined"
                         : scene.axis_calibrated ? "calibrated axis"
                                                 : "nominal geometry");
  xmp.text("PoseState", std::string(name_of(view.state)));
  xmp.list("CameraFromWorld_rows", rotation);
  xmp.list("Quaternion_wxyz", std::vector<double>(quaternion.data(), quaternion.data() + 4));
  xmp.list("Translation_mm", std::vector<double>(pose.t.data(), pose.t.data() + 3));
  xmp.list("Centre_mm", std::vector<double>(centre.data(), centre.data() + 3));
  xmp.list("SigmaRotation_deg",
           std::vector<double>{degrees(sigma[0]), degrees(sigma[1]), degrees(sigma[2])});
  xmp.list("SigmaCentre_mm", std::vector<double>{sigma[3], sigma[4], sigma[5]});
  xmp.text("Ring", view.ring);
  xmp.text("Station", std::to_string(view.station));
  xmp.number("StageAngle_deg", degrees(view.stage_angle));
  xmp.number("SigmaStageAngle_deg", degrees(view.sigma_stage_angle));
  xmp.text("MaskFile", view.mask_file);
  xmp.text("SourceFile", view.source_file);
}

}  // namespace

void write_xmp(Exiv2::XmpData& xmp, const Scene& scene, const View& view, const Setup& setup,
               const XmpSource& source) {
  XmpWriter writer(xmp);
  writer.text("Version", TRUNNION_VERSION);
  write_camera_xmp(writer, scene, setup);
  write_pose_xmp(writer, scene, view);
  writer.text("SourceHash", source.hash);
  writer.text("SourceImageUniqueID", source.unique_id);
}

void write_history(Exiv2::XmpData& xmp, const std::vector<std::string>& steps,
                   const std::string& earlier_software) {
  if (steps.empty() && earlier_software.empty()) return;  // an empty sequence would not survive
  const std::string root = "Xmp.xmpMM.History";
  int last = 0;
  for (const Exiv2::Xmpdatum& datum : xmp) {
    const std::string key = datum.key();
    if (key.starts_with(root + "[")) {
      last = std::max(last, std::atoi(key.c_str() + root.size() + 1));
    }
  }
  if (last == 0) {
    Exiv2::XmpTextValue bag("");
    bag.setXmpArrayType(Exiv2::XmpValue::xaSeq);
    const auto old = xmp.findKey(Exiv2::XmpKey(root));
    if (old != xmp.end()) xmp.erase(old);
    xmp.add(Exiv2::XmpKey(root), &bag);
  }
  const auto date = source_date();
  const std::string when = date ? iso_date(*date) : "";
  const auto add = [&](const std::string& action, const std::string& agent,
                       const std::string& parameters) {
    const std::string item = fmt::format("{}[{}]/stEvt:", root, ++last);
    xmp[item + "action"] = action;
    xmp[item + "softwareAgent"] = agent;
    if (!parameters.empty()) xmp[item + "parameters"] = parameters;
    if (!when.empty() && agent.starts_with("trunnion ")) xmp[item + "when"] = when;
  };
  if (!earlier_software.empty()) add("saved", earlier_software, "");
  for (const std::string& step : steps) add("converted", "trunnion " TRUNNION_VERSION, step);
}

std::vector<std::string> fit_xmp_into_jpeg(Exiv2::XmpData& xmp) {
  constexpr std::size_t kPadding = 4096;  // what the toolkit may add to a packet
  std::vector<std::string> moved;
  while (!xmp.empty() && xmp_packet(xmp, false).size() > kJpegXmpLimit - kPadding) {
    std::map<std::string, std::size_t> sizes;  // by property, with all that is inside it
    for (const Exiv2::Xmpdatum& datum : xmp) {
      if (datum.groupName() == kNamespacePrefix) continue;
      sizes[property_of(datum.key())] += datum.key().size() + datum.toString().size();
    }
    if (sizes.empty()) break;
    const auto largest =
        std::max_element(sizes.begin(), sizes.end(),
                         [](const auto& a, const auto& b) { return a.second < b.second; });
    Exiv2::XmpData rest;
    for (const Exiv2::Xmpdatum& datum : xmp) {
      if (property_of(datum.key()) != largest->first) rest.add(datum);
    }
    xmp = rest;
    moved.push_back(largest->first);
  }
  return moved;
}

}  // namespace trunnion::annotate
