// Reader of cameras.gltf for verify, by the glTF 2.0 specification.
#include <fmt/format.h>

#include <cmath>
#include <cstring>

#include "core/error.h"
#include "stages/verify/json.h"
#include "stages/verify/readers.h"

namespace trunnion::verify {
namespace {

// RFC 4648, section 4; stops at the padding.
std::string from_base64(std::string_view text) {
  constexpr std::string_view kLetters =
      "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  std::string bytes;
  std::uint32_t bits = 0;
  int count = 0;
  for (const char c : text) {
    const std::size_t value = kLetters.find(c);
    if (value == std::string_view::npos) break;
    bits = (bits << 6U) | static_cast<std::uint32_t>(value);
    count += 6;
    if (count < 8) continue;
    count -= 8;
    bytes.push_back(static_cast<char>((bits >> static_cast<unsigned>(count)) & 0xFFU));
  }
  return bytes;
}

// Positions of the mesh "tie points" in mm; empty where there is none.
std::vector<Eigen::Vector3d> tie_points(const Json& gltf, const Eigen::Matrix3d& world_from_gltf) {
  std::vector<Eigen::Vector3d> points;
  for (const Json& mesh : gltf.value("meshes", Json::array())) {
    if (mesh.value("name", "") != "tie points") continue;
    const std::size_t id = mesh.at("primitives").at(0).at("attributes").at("POSITION");
    const Json& accessor = gltf.at("accessors").at(id);
    const std::size_t count = accessor.at("count");
    const Json& view = gltf.at("bufferViews").at(accessor.at("bufferView").get<std::size_t>());
    const std::string uri = gltf.at("buffers").at(0).at("uri");
    const std::string bytes = from_base64(std::string_view(uri).substr(uri.find(',') + 1));
    const std::size_t offset = view.at("byteOffset");
    if (offset > bytes.size() || count > (bytes.size() - offset) / 12) {
      throw data_error("cameras.gltf: its tie points lie outside its buffer; prepare again.");
    }
    for (std::size_t i = 0; i < count; ++i) {
      std::array<float, 3> xyz{};
      std::memcpy(xyz.data(), bytes.data() + offset + 12 * i, 12);
      points.emplace_back(world_from_gltf * Eigen::Vector3f(xyz.data()).cast<double>() * 1000.0);
    }
  }
  return points;
}

}  // namespace

ReadSet read_gltf(const std::string& text) {
  const std::string file = "cameras.gltf";
  const Json json = parsed(text, file);
  return guarded(file, [&] {
    ReadSet set;
    // world (Z up, mm) from glTF (Y up, m)
    Eigen::Matrix3d world_from_gltf;
    world_from_gltf << 1, 0, 0, 0, 0, -1, 0, 1, 0;
    const Eigen::Matrix3d flip = Eigen::Vector3d(1, -1, -1).asDiagonal();
    for (const Json& node : json.value("nodes", Json::array())) {
      if (!node.contains("camera")) continue;
      const Json& q = node.at("rotation");
      const Eigen::Matrix3d turned =
          Eigen::Quaterniond(q.at(3).get<double>(), q.at(0).get<double>(), q.at(1).get<double>(),
                             q.at(2).get<double>())
              .toRotationMatrix();
      ReadView view;
      view.image = node.at("extras").at("image");
      view.pose.R = (world_from_gltf * turned * flip).transpose();
      const Eigen::Vector3d centre = world_from_gltf * vector_of(node.at("translation")) * 1000.0;
      view.pose.t = -(view.pose.R * centre);
      set.views.push_back(view);
    }
    set.points = tie_points(json, world_from_gltf);
    if (set.views.empty()) return set;
    const Json& camera = json.at("cameras").at(0);
    set.camera.width_px = camera.at("extras").at("width_px");
    set.camera.height_px = camera.at("extras").at("height_px");
    set.camera.cx = camera.at("extras").at("cx_px");
    set.camera.cy = camera.at("extras").at("cy_px");
    if (camera.at("type") == "perspective") {
      const Json& lens = camera.at("perspective");
      const double tangent = std::tan(0.5 * lens.at("yfov").get<double>());
      set.camera.fy = set.camera.height_px / (2.0 * tangent);
      set.camera.fx = set.camera.width_px / (2.0 * tangent * lens.at("aspectRatio").get<double>());
    } else {
      set.camera.projection = Projection::telecentric;
      const Json& lens = camera.at("orthographic");
      set.camera.fx = set.camera.width_px / (2000.0 * lens.at("xmag").get<double>());
      set.camera.fy = set.camera.height_px / (2000.0 * lens.at("ymag").get<double>());
    }
    return set;
  });
}

}  // namespace trunnion::verify
