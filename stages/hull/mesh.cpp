#include "stages/hull/mesh.h"

#include <openvdb/openvdb.h>
#include <openvdb/tools/VolumeToMesh.h>

#include <Eigen/Geometry>
#include <algorithm>
#include <map>
#include <mutex>

#include "core/disjoint_sets.h"

namespace trunnion::hull {
namespace {

// What noise leaves between the cones: fewer triangles are no part of a specimen.
constexpr std::size_t kLeastPiece = 60;

openvdb::Coord coord(const Eigen::Vector3i& at) {
  return {at.x(), at.y(), at.z()};
}

// OpenVDB's sign: negative inside.
openvdb::FloatGrid::Ptr volume_of(const Carved& carved) {
  static std::once_flag once;
  std::call_once(once, [] { openvdb::initialize(); });
  openvdb::FloatGrid::Ptr volume = openvdb::FloatGrid::create(carved.band_mm);
  volume->setGridClass(openvdb::GRID_LEVEL_SET);
  for (const Cell& cell : carved.inside) {
    const openvdb::Coord low = coord(cell.at);
    volume->tree().sparseFill(openvdb::CoordBBox(low, low.offsetBy(cell.size - 1)), -carved.band_mm,
                              false);
  }
  for (const Leaf& leaf : carved.leaves) {
    auto* node = volume->tree().touchLeaf(coord(leaf.at));
    for (openvdb::Index k = 0; k < leaf.mm.size(); ++k) node->setValueOn(k, -leaf.mm[k]);
  }
  return volume;
}

Eigen::Vector3d cross_of(const Mesh& mesh, const std::array<std::uint32_t, 3>& t) {
  const Eigen::Vector3d a = mesh.vertices[t[0]].cast<double>();
  return (mesh.vertices[t[1]].cast<double>() - a).cross(mesh.vertices[t[2]].cast<double>() - a);
}

// OpenVDB's faces have their front inside.
void add_face(const openvdb::Vec4I& quad, Mesh& mesh) {
  const auto at = [&](int k) { return mesh.vertices[quad[k]]; };
  if ((at(0) - at(2)).squaredNorm() <= (at(1) - at(3)).squaredNorm()) {
    mesh.triangles.push_back({quad[0], quad[2], quad[1]});
    mesh.triangles.push_back({quad[0], quad[3], quad[2]});
  } else {
    mesh.triangles.push_back({quad[1], quad[3], quad[2]});
    mesh.triangles.push_back({quad[1], quad[0], quad[3]});
  }
}

// Keeps pieces of some size, and the vertices that they use, in their order.
void drop_specks(Mesh& mesh) {
  DisjointSets pieces(mesh.vertices.size());
  for (const auto& t : mesh.triangles) {
    pieces.join(t[0], t[1]);
    pieces.join(t[0], t[2]);
  }
  std::vector<std::size_t> size(mesh.vertices.size(), 0);
  for (const auto& t : mesh.triangles) ++size[pieces.find(t[0])];
  std::vector<std::uint32_t> place(mesh.vertices.size());
  std::vector<Eigen::Vector3f> kept;
  for (std::size_t k = 0; k < mesh.vertices.size(); ++k) {
    place[k] = static_cast<std::uint32_t>(kept.size());
    if (size[pieces.find(k)] >= kLeastPiece) kept.push_back(mesh.vertices[k]);
  }
  std::erase_if(mesh.triangles,
                [&](const auto& t) { return size[pieces.find(t[0])] < kLeastPiece; });
  for (auto& t : mesh.triangles) {
    for (std::uint32_t& vertex : t) vertex = place[vertex];
  }
  mesh.vertices = std::move(kept);
}

void add_normals(Mesh& mesh) {
  std::vector<Eigen::Vector3d> sums(mesh.vertices.size(), Eigen::Vector3d::Zero());
  for (const auto& t : mesh.triangles) {
    const Eigen::Vector3d cross = cross_of(mesh, t);
    for (const std::uint32_t vertex : t) sums[vertex] += cross;
  }
  mesh.normals.reserve(sums.size());
  for (const Eigen::Vector3d& sum : sums) {
    const double length = sum.norm();
    mesh.normals.push_back(length > 0 ? Eigen::Vector3f((sum / length).cast<float>())
                                      : Eigen::Vector3f(Eigen::Vector3f::UnitZ()));
  }
}

}  // namespace

Mesh mesh_of(const Carved& carved) {
  Mesh mesh;
  if (carved.leaves.empty()) return mesh;
  std::vector<openvdb::Vec3s> points;
  std::vector<openvdb::Vec4I> quads;
  openvdb::tools::volumeToMesh(*volume_of(carved), points, quads, 0.0);
  mesh.vertices.reserve(points.size());
  for (const openvdb::Vec3s& p : points) {
    mesh.vertices.emplace_back(
        carved.grid.position(Eigen::Vector3d(p.x(), p.y(), p.z())).cast<float>());
  }
  mesh.triangles.reserve(2 * quads.size());
  for (const openvdb::Vec4I& quad : quads) add_face(quad, mesh);
  drop_specks(mesh);
  add_normals(mesh);
  return mesh;
}

// Each pair of neighbours on different sides makes one quad.
std::size_t count_triangles(const Carved& carved) {
  std::size_t pairs = 0;
  for (const Leaf& leaf : carved.leaves) {
    const auto inside = [&](int x, int y, int z) {
      return leaf.mm[static_cast<std::size_t>((x * kLeaf + y) * kLeaf + z)] > 0;
    };
    for (int x = 0; x < kLeaf; ++x) {
      for (int y = 0; y < kLeaf; ++y) {
        for (int z = 0; z < kLeaf; ++z) {
          const bool here = inside(x, y, z);
          pairs += (x + 1 < kLeaf && inside(x + 1, y, z) != here) ? 1U : 0U;
          pairs += (y + 1 < kLeaf && inside(x, y + 1, z) != here) ? 1U : 0U;
          pairs += (z + 1 < kLeaf && inside(x, y, z + 1) != here) ? 1U : 0U;
        }
      }
    }
  }
  // One pair in eight lies between two leaves.
  return pairs * 2 * 8 / 7;
}

}  // namespace trunnion::hull
