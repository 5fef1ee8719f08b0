// PLY: G. Turk, "The PLY polygon file format", 1994, in its binary form. GLB: the container of
// glTF 2.0 (ISO/IEC 12113:2022), section 4: a header of 12 bytes, a JSON chunk padded by spaces and
// a binary chunk padded by zeros, each to a multiple of four.
#include <bit>
#include <cmath>
#include <cstring>
#include <nlohmann/json.hpp>

#include "stages/hull/hull.h"

namespace trunnion::hull {
namespace {

using Json = nlohmann::ordered_json;

static_assert(std::endian::native == std::endian::little, "both formats are written as in memory");

constexpr std::uint32_t kMagic = 0x46546C67;      // "glTF"
constexpr std::uint32_t kJsonChunk = 0x4E4F534A;  // "JSON"
constexpr std::uint32_t kBinChunk = 0x004E4942;   // "BIN"
constexpr int kArrayBuffer = 34962;
constexpr int kElementBuffer = 34963;
constexpr int kFloat = 5126;
constexpr int kUnsignedInt = 5125;
constexpr int kUnsignedShort = 5123;
constexpr int kTriangles = 4;

template <typename Value>
void append(std::string& bytes, const Value& value) {
  const auto at = bytes.size();
  bytes.resize(at + sizeof(value));
  std::memcpy(bytes.data() + at, &value, sizeof(value));
}

void append(std::string& bytes, const Eigen::Vector3f& value) {
  for (int k = 0; k < 3; ++k) append(bytes, value[k]);
}

// IEC 61966-2-1 (sRGB); glTF wants vertex colours linear.
std::uint16_t linear(std::uint8_t srgb) {
  const double c = srgb / 255.0;
  const double value = c <= 0.04045 ? c / 12.92 : std::pow((c + 0.055) / 1.055, 2.4);
  return static_cast<std::uint16_t>(std::lround(65535.0 * value));
}

// World to glTF: Z up becomes Y up.
Eigen::Vector3f turned(const Eigen::Vector3f& v) {
  return {v.x(), v.z(), -v.y()};
}

struct Binary {
  std::string bytes;
  Json views = Json::array();
  Json accessors = Json::array();

  int close(std::size_t begin, int target, Json accessor) {
    views.push_back({{"buffer", 0},
                     {"byteOffset", begin},
                     {"byteLength", bytes.size() - begin},
                     {"target", target}});
    if (accessor["componentType"] == kUnsignedShort) views.back()["byteStride"] = 8;
    accessor["bufferView"] = views.size() - 1;
    accessors.push_back(std::move(accessor));
    return static_cast<int>(accessors.size()) - 1;
  }
};

int add_positions(const Mesh& mesh, Binary& binary) {
  const std::size_t begin = binary.bytes.size();
  Eigen::Vector3f low = Eigen::Vector3f::Constant(1e30F);
  Eigen::Vector3f high = -low;
  for (const Eigen::Vector3f& vertex : mesh.vertices) {
    const Eigen::Vector3f p = turned(vertex) / 1000.0F;
    low = low.cwiseMin(p);
    high = high.cwiseMax(p);
    append(binary.bytes, p);
  }
  return binary.close(begin, kArrayBuffer,
                      {{"componentType", kFloat},
                       {"count", mesh.vertices.size()},
                       {"type", "VEC3"},
                       {"min", {low.x(), low.y(), low.z()}},
                       {"max", {high.x(), high.y(), high.z()}}});
}

int add_normals(const Mesh& mesh, Binary& binary) {
  const std::size_t begin = binary.bytes.size();
  for (const Eigen::Vector3f& normal : mesh.normals) append(binary.bytes, turned(normal));
  return binary.close(
      begin, kArrayBuffer,
      {{"componentType", kFloat}, {"count", mesh.normals.size()}, {"type", "VEC3"}});
}

int add_colours(const Mesh& mesh, Binary& binary) {
  const std::size_t begin = binary.bytes.size();
  for (const auto& rgb : mesh.rgb) {
    for (const std::uint8_t value : rgb) append(binary.bytes, linear(value));
    append(binary.bytes, std::uint16_t{0});  // each vertex begins at a multiple of four
  }
  return binary.close(begin, kArrayBuffer,
                      {{"componentType", kUnsignedShort},
                       {"normalized", true},
                       {"count", mesh.rgb.size()},
                       {"type", "VEC3"}});
}

int add_triangles(const Mesh& mesh, Binary& binary) {
  const std::size_t begin = binary.bytes.size();
  for (const auto& triangle : mesh.triangles) append(binary.bytes, triangle);
  return binary.close(
      begin, kElementBuffer,
      {{"componentType", kUnsignedInt}, {"count", 3 * mesh.triangles.size()}, {"type", "SCALAR"}});
}

void add_chunk(std::string& file, std::uint32_t type, std::string bytes, char padding) {
  bytes.resize((bytes.size() + 3) / 4 * 4, padding);
  append(file, static_cast<std::uint32_t>(bytes.size()));
  append(file, type);
  file += bytes;
}

Json extent_json(const Extent& extent) {
  return {{"length_mm", extent.length_mm},
          {"sigma_mm", extent.sigma_mm},
          {"direction", {extent.direction.x(), extent.direction.y(), extent.direction.z()}},
          {"upper_bound", extent.upper_bound},
          {"cut_by_frame", extent.cut}};
}

}  // namespace

std::string hull_ply(const Mesh& mesh) {
  const bool coloured = !mesh.rgb.empty();
  std::string text =
      "ply\nformat binary_little_endian 1.0\ncomment visual hull of the silhouettes\n"
      "comment unit mm; world frame: origin on the rotation axis, +Z up along it, right-handed\n"
      "element vertex " +
      std::to_string(mesh.vertices.size()) +
      "\nproperty float x\nproperty float y\nproperty float z\n"
      "property float nx\nproperty float ny\nproperty float nz\n";
  if (coloured) text += "property uchar red\nproperty uchar green\nproperty uchar blue\n";
  text += "element face " + std::to_string(mesh.triangles.size()) +
          "\nproperty list uchar uint vertex_indices\nend_header\n";
  text.reserve(text.size() + 27 * mesh.vertices.size() + 13 * mesh.triangles.size());
  for (std::size_t k = 0; k < mesh.vertices.size(); ++k) {
    append(text, mesh.vertices[k]);
    append(text, mesh.normals[k]);
    if (coloured) append(text, mesh.rgb[k]);
  }
  for (const auto& triangle : mesh.triangles) {
    text.push_back(3);
    append(text, triangle);
  }
  return text;
}

std::string hull_glb(const Mesh& mesh) {
  Binary binary;
  Json attributes{{"POSITION", add_positions(mesh, binary)}, {"NORMAL", add_normals(mesh, binary)}};
  if (!mesh.rgb.empty()) attributes["COLOR_0"] = add_colours(mesh, binary);
  const int indices = add_triangles(mesh, binary);
  const Json json{
      {"asset", {{"version", "2.0"}, {"generator", "trunnion " TRUNNION_VERSION}}},
      {"scene", 0},
      {"scenes", {{{"name", "visual hull"}, {"nodes", {0}}}}},
      {"nodes", {{{"name", "visual hull"}, {"mesh", 0}}}},
      {"meshes",
       {{{"name", "visual hull"},
         {"primitives",
          {{{"attributes", attributes},
            {"indices", indices},
            {"material", 0},
            {"mode", kTriangles}}}}}}},
      {"materials",
       {{{"name", "visual hull"},
         {"pbrMetallicRoughness", {{"metallicFactor", 0.0}, {"roughnessFactor", 1.0}}}}}},
      {"buffers", {{{"byteLength", binary.bytes.size()}}}},
      {"bufferViews", binary.views},
      {"accessors", binary.accessors}};
  std::string chunks;
  add_chunk(chunks, kJsonChunk, json.dump(), ' ');
  add_chunk(chunks, kBinChunk, std::move(binary.bytes), '\0');
  std::string file;
  append(file, kMagic);
  append(file, std::uint32_t{2});
  append(file, static_cast<std::uint32_t>(12 + chunks.size()));
  return file + chunks;
}

std::string hull_json(const Hull& hull, const std::vector<HullView>& views) {
  const Measures& m = hull.measures;
  Json agreement = Json::array();
  for (std::size_t k = 0; k < views.size(); ++k) {
    const ViewAgreement& view = hull.views[k];
    agreement.push_back(
        {{"file", views[k].name},
         {"ring", views[k].ring},
         {"station", views[k].station},
         {"overlap", view.overlap},
         {"outside_hull", view.uncovered},
         {"lacks", view.missing},
         {"region_px", {view.region.x, view.region.y, view.region.width, view.region.height}},
         {"leaves_frame", view.cut}});
  }
  const Json json{
      {"units", "mm, mm2, mm3, 1 sigma; world frame: +Z up along the rotation axis"},
      {"meaning",
       "Of the visual hull, which holds the specimen and the mount that the masks keep. Volume is "
       "an upper bound of theirs; upper_bound: no camera saw an end from the side, so it may end "
       "earlier; cut_by_frame: it may reach further. lacks: what the other views show and this "
       "mask alone excludes. region_px: x, y, width, height in the prepared image."},
      {"triangles", hull.mesh.triangles.size()},
      {"voxel_mm", hull.voxel_mm},
      {"mask_pixel_mm", m.pixel_mm},
      {"outline_sigma_px", m.outline_px},
      {"scale_sigma_relative", m.scale_sigma},
      {"height", extent_json(m.height)},
      {"width", extent_json(m.width)},
      {"depth", extent_json(m.depth)},
      {"volume", {{"upper_bound_mm3", m.volume.value}, {"sigma_mm3", m.volume.sigma}}},
      {"surface", {{"mm2", m.surface.value}, {"sigma_mm2", m.surface.sigma}}},
      {"views", agreement}};
  return json.dump(1, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace trunnion::hull
