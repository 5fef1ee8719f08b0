// glTF 2.0 (Khronos Group, ISO/IEC 12113:2022): the rig as cameras, thumbnails on planes in their
// frustums, and tie points, in one file.
//
// glTF is right-handed with +Y up and metres; a camera looks along its -Z with +Y up. Hence
//   p_gltf = A p_world / 1000,  A = [1 0 0; 0 0 1; 0 -1 0]           (Z up becomes Y up)
//   node rotation = A camera_from_world^T diag(1, -1, -1)
//   yfov = 2 atan(H / (2 fy)),  aspectRatio = (W / fx) / (H / fy)
// The image spans the edges of its outer pixels, so its middle is at ((W-1)/2, (H-1)/2). The format
// has no principal point; where it is not there, `extras` says so.
#include <cmath>
#include <cstring>
#include <limits>
#include <nlohmann/json.hpp>

#include "core/text.h"
#include "stages/exports/exports.h"

namespace trunnion::exports {
namespace {

using Json = nlohmann::ordered_json;

constexpr int kArrayBuffer = 34962;
constexpr int kFloat = 5126;
constexpr int kUnsignedByte = 5121;
constexpr int kPoints = 0;
constexpr int kLines = 1;
constexpr int kTriangleStrip = 5;

Eigen::Matrix3d gltf_from_world() {
  Eigen::Matrix3d A;
  A << 1, 0, 0, 0, 0, 1, 0, -1, 0;
  return A;
}

Eigen::Matrix3d node_rotation(const Pose& pose) {
  const Eigen::Matrix3d flip = Eigen::Vector3d(1, -1, -1).asDiagonal();
  return gltf_from_world() * pose.R.transpose() * flip;
}

Json vector_json(const Eigen::Vector3d& v) {
  return {v.x() + 0.0, v.y() + 0.0, v.z() + 0.0};
}

// Collects binary data; views start at multiples of four.
class Buffer {
 public:
  int add(const std::string& bytes, int target) {
    Json view{{"buffer", 0}, {"byteOffset", bytes_.size()}, {"byteLength", bytes.size()}};
    if (target != 0) view["target"] = target;
    views_.push_back(view);
    bytes_ += bytes;
    bytes_.resize((bytes_.size() + 3) / 4 * 4, '\0');
    return static_cast<int>(views_.size()) - 1;
  }
  int add_floats(const std::vector<float>& values, int width) {
    std::string bytes(values.size() * sizeof(float), '\0');
    std::memcpy(bytes.data(), values.data(), bytes.size());
    const auto columns = static_cast<std::size_t>(width);
    Json accessor{{"bufferView", add(bytes, kArrayBuffer)},
                  {"componentType", kFloat},
                  {"count", values.size() / columns},
                  {"type", width == 2 ? "VEC2" : "VEC3"}};
    if (width == 3) add_bounds(values, accessor);
    accessors_.push_back(accessor);
    return static_cast<int>(accessors_.size()) - 1;
  }
  int add_colours(const std::string& rgba) {
    accessors_.push_back({{"bufferView", add(rgba, kArrayBuffer)},
                          {"componentType", kUnsignedByte},
                          {"normalized", true},
                          {"count", rgba.size() / 4},
                          {"type", "VEC4"}});
    return static_cast<int>(accessors_.size()) - 1;
  }
  void write_to(Json& gltf) const {
    if (bytes_.empty()) return;
    gltf["buffers"] = {{{"byteLength", bytes_.size()},
                        {"uri", "data:application/octet-stream;base64," + base64(bytes_)}}};
    gltf["bufferViews"] = views_;
    gltf["accessors"] = accessors_;
  }

 private:
  static void add_bounds(const std::vector<float>& xyz, Json& accessor) {
    std::array<float, 3> low{xyz[0], xyz[1], xyz[2]};
    std::array<float, 3> high = low;
    for (std::size_t i = 0; i < xyz.size(); ++i) {
      low[i % 3] = std::min(low[i % 3], xyz[i]);
      high[i % 3] = std::max(high[i % 3], xyz[i]);
    }
    accessor["min"] = low;
    accessor["max"] = high;
  }
  std::string bytes_;
  Json views_ = Json::array();
  Json accessors_ = Json::array();
};

// One camera a view, though all are alike: many readers tie a camera to one node only.
Json camera_json(const Camera& camera, const std::string& name) {
  Json json;
  const double znear = 1e-4;  // 0.1 mm
  if (camera.projection == Projection::perspective) {
    json = {{"type", "perspective"},
            {"perspective",
             {{"yfov", 2.0 * std::atan(camera.height_px / (2.0 * camera.fy))},
              {"aspectRatio", (camera.width_px / camera.fx) / (camera.height_px / camera.fy)},
              {"znear", znear}}}};
  } else {
    // Half sizes of the field in metres; fx and fy are px per mm.
    json = {{"type", "orthographic"},
            {"orthographic",
             {{"xmag", camera.width_px / (2.0 * camera.fx) / 1000.0},
              {"ymag", camera.height_px / (2.0 * camera.fy) / 1000.0},
              {"znear", 0.0},
              {"zfar", 10.0}}}};
  }
  const double offset_x = camera.cx - 0.5 * (camera.width_px - 1);
  const double offset_y = camera.cy - 0.5 * (camera.height_px - 1);
  json["name"] = name;
  json["extras"] = {{"width_px", camera.width_px},
                    {"height_px", camera.height_px},
                    {"cx_px", camera.cx},
                    {"cy_px", camera.cy},
                    {"principal_point_offset_px", {offset_x, offset_y}},
                    {"pixel_origin", "centre of the top-left pixel"}};
  return json;
}

// Corners of the image at depth d in the glTF camera frame, m: top-left, bottom-left, top-right,
// bottom-right. The true principal point is used, so planes stand where the images belong.
std::vector<float> plane_corners(const Camera& camera, double depth_m) {
  const double scale = camera.projection == Projection::perspective ? depth_m : 1e-3;
  const double left = (-0.5 - camera.cx) / camera.fx * scale;
  const double right = (camera.width_px - 0.5 - camera.cx) / camera.fx * scale;
  const double top = -(-0.5 - camera.cy) / camera.fy * scale;
  const double bottom = -(camera.height_px - 0.5 - camera.cy) / camera.fy * scale;
  std::vector<float> xyz;
  for (const auto& [x, y] : {std::pair(left, top), std::pair(left, bottom), std::pair(right, top),
                             std::pair(right, bottom)}) {
    for (const double v : {x, y, -depth_m}) xyz.push_back(static_cast<float>(v));
  }
  return xyz;
}

// Edges from the projection centre to the corners (perspective) or along the rays (telecentric).
std::vector<float> frustum_lines(const std::vector<float>& corners, bool perspective) {
  std::vector<float> xyz;
  for (std::size_t i = 0; i < corners.size(); i += 3) {
    for (std::size_t k = 0; k < 3; ++k) {
      xyz.push_back(perspective || k == 2 ? 0.0F : corners[i + k]);
    }
    for (std::size_t k = 0; k < 3; ++k) xyz.push_back(corners[i + k]);
  }
  return xyz;
}

// Planes a twelfth of the way to the axis: seen beside their camera, clear of the specimen.
double plane_depth_m(const Scene& scene) {
  double nearest = std::numeric_limits<double>::infinity();
  for (const View& view : scene.views) nearest = std::min(nearest, view.pose.centre_mm().norm());
  return std::isfinite(nearest) && nearest > 0 ? nearest / 12.0 / 1000.0 : 0.01;
}

class Builder {
 public:
  Builder(const Scene& scene, const ThumbnailReader& thumbnail)
      : scene_(scene), thumbnail_(thumbnail) {
    gltf_["asset"] = {{"version", "2.0"}, {"generator", "trunnion " TRUNNION_VERSION}};
    gltf_["scene"] = 0;
    gltf_["scenes"] = {{{"name", scene.title}, {"nodes", Json::array()}}};
  }

  std::string build() {
    if (!scene_.views.empty()) {
      add_frustum();
      for (std::size_t i = 0; i < scene_.views.size(); ++i) add_view(i);
    }
    if (!scene_.tie_points.empty()) add_tie_points();
    for (const char* list : {"cameras", "nodes", "meshes", "materials", "textures", "images"}) {
      if (lists_.contains(list)) gltf_[list] = lists_[list];
    }
    if (lists_.contains("textures")) {
      // Clamped and without mipmaps: thumbnails have any size.
      gltf_["samplers"] = {
          {{"magFilter", 9729}, {"minFilter", 9729}, {"wrapS", 33071}, {"wrapT", 33071}}};
    }
    if (lists_.contains("materials")) gltf_["extensionsUsed"] = {"KHR_materials_unlit"};
    buffer_.write_to(gltf_);
    return gltf_.dump(1, ' ', false, Json::error_handler_t::replace) + "\n";
  }

 private:
  int append(const char* list, Json item) {
    lists_[list].push_back(std::move(item));
    return static_cast<int>(lists_[list].size()) - 1;
  }
  void add_frustum() {
    const bool perspective = scene_.camera.projection == Projection::perspective;
    const std::vector<float> corners = plane_corners(scene_.camera, plane_depth_m(scene_));
    positions_ = buffer_.add_floats(corners, 3);
    texture_coordinates_ = buffer_.add_floats({0, 0, 0, 1, 1, 0, 1, 1}, 2);
    const int lines = buffer_.add_floats(frustum_lines(corners, perspective), 3);
    frustum_ = append(
        "meshes", {{"name", "frustum"},
                   {"primitives", {{{"attributes", {{"POSITION", lines}}}, {"mode", kLines}}}}});
  }
  void add_view(std::size_t index) {
    const View& view = scene_.views[index];
    Eigen::Quaterniond q(node_rotation(view.pose));
    q.normalize();
    Json node{{"name", view.name},
              {"camera", append("cameras", camera_json(scene_.camera, view.name))},
              {"mesh", frustum_},
              {"translation", vector_json(gltf_from_world() * view.pose.centre_mm() / 1000.0)},
              {"rotation", {q.x() + 0.0, q.y() + 0.0, q.z() + 0.0, q.w() + 0.0}},
              {"extras",
               {{"image", view.image_file},
                {"ring", view.ring},
                {"station", view.station},
                {"pose_state", name_of(view.state)}}}};
    const std::string jpeg = thumbnail_ ? thumbnail_(index) : std::string();
    if (!jpeg.empty()) node["children"] = {add_plane(view, jpeg)};
    const int id = append("nodes", node);
    gltf_["scenes"][0]["nodes"].push_back(id);
  }
  int add_plane(const View& view, const std::string& jpeg) {
    const int image = append(
        "images",
        {{"name", view.name}, {"mimeType", "image/jpeg"}, {"bufferView", buffer_.add(jpeg, 0)}});
    const int texture = append("textures", {{"sampler", 0}, {"source", image}});
    const int material = append(
        "materials", {{"name", view.name},
                      {"doubleSided", true},
                      {"pbrMetallicRoughness",
                       {{"baseColorTexture", {{"index", texture}}}, {"metallicFactor", 0.0}}},
                      {"extensions", {{"KHR_materials_unlit", Json::object()}}}});
    const int mesh =
        append("meshes",
               {{"name", view.name},
                {"primitives",
                 {{{"attributes", {{"POSITION", positions_}, {"TEXCOORD_0", texture_coordinates_}}},
                   {"material", material},
                   {"mode", kTriangleStrip}}}}});
    return append("nodes", {{"name", view.name + " image"}, {"mesh", mesh}});
  }
  void add_tie_points() {
    std::vector<float> xyz;
    std::string rgba;
    for (const TiePoint& point : scene_.tie_points) {
      const Eigen::Vector3d p = gltf_from_world() * point.position_mm / 1000.0;
      for (int k = 0; k < 3; ++k) xyz.push_back(static_cast<float>(p[k]));
      for (const std::uint8_t c : point.rgb) rgba.push_back(static_cast<char>(c));
      rgba.push_back('\xFF');
    }
    const int positions = buffer_.add_floats(xyz, 3);
    const int mesh = append(
        "meshes",
        {{"name", "tie points"},
         {"primitives",
          {{{"attributes", {{"POSITION", positions}, {"COLOR_0", buffer_.add_colours(rgba)}}},
            {"mode", kPoints}}}}});
    gltf_["scenes"][0]["nodes"].push_back(
        append("nodes", {{"name", "tie points"}, {"mesh", mesh}}));
  }

  const Scene& scene_;
  const ThumbnailReader& thumbnail_;
  Json gltf_;
  Json lists_ = Json::object();
  Buffer buffer_;
  int positions_ = 0;
  int texture_coordinates_ = 0;
  int frustum_ = 0;
};

}  // namespace

std::string cameras_gltf(const Scene& scene, const ThumbnailReader& thumbnail) {
  return Builder(scene, thumbnail).build();
}

}  // namespace trunnion::exports
