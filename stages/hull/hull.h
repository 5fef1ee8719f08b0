// The visual hull: the largest body that projects into every silhouette, as a closed mesh in mm.
//
// A point belongs to it where every view that sees the point shows specimen there (A. Laurentini,
// "The visual hull concept for silhouette-based image understanding", IEEE PAMI 16(2), 1994). The
// specimen lies within it; hollows that no silhouette shows are filled.
//
// Each mask gives a signed distance d to its outline in px, positive inside, with the outline where
// half a pixel is covered. The hull's field is the least of d divided by px per mm over the views,
// sampled on a sparse grid near its surface; the zero surface is meshed by OpenVDB (dual of the
// grid, so it is closed). What lies outside a frame is unknown to its view; a point must be in the
// frame of at least half of the views, which closes the hull where the specimen leaves the frame.
//
// Thin parts: a strand narrower than 2 thin_radius_px is widened to that along its middle line, in
// every mask, so that neither the grid nor small errors of the poses cut it. It stays as long as
// the masks show it and may come out thicker than it is.
//
// Lengths mm, world frame of core/turntable.h, pixels of the mask with (0, 0) at the centre of the
// top-left one, uncertainties 1 sigma. The same bytes whatever the number of threads.
#pragma once

#include <Eigen/Core>
#include <array>
#include <cstdint>
#include <functional>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "core/camera.h"
#include "core/finding.h"
#include "core/pose.h"

namespace trunnion::hull {

struct HullView {
  std::string name;  // as findings name it
  std::string ring;
  int station = 0;
  Camera camera;  // of the mask, free of distortion
  Pose pose;      // camera_from_world
  PoseCovariance covariance = PoseCovariance::Zero();
};

struct HullOptions {
  double mask_megapixels = 2.0;          // masks are reduced to so many
  std::size_t most_triangles = 1000000;  // the grid is as fine as these allow,
  double finest_voxel_px = 1.0;          // but no finer than this, in px of the reduced masks
  double thin_radius_px = 1.0;           // px of the reduced masks; 0: strands are left as they are
};

struct Mesh {
  std::vector<Eigen::Vector3f> vertices;                // mm, world
  std::vector<Eigen::Vector3f> normals;                 // unit, outward; one a vertex
  std::vector<std::array<std::uint8_t, 3>> rgb;         // sRGB; one a vertex, or none
  std::vector<std::array<std::uint32_t, 3>> triangles;  // counter-clockwise seen from outside
};

// Extent of the hull along one direction.
struct Extent {
  double length_mm = 0;
  double sigma_mm = 0;
  Eigen::Vector3d direction = Eigen::Vector3d::UnitZ();
  bool upper_bound = false;  // no camera saw an end from the side, so the specimen may end earlier
  bool cut = false;          // an end lies at the frame's edge, so the specimen may reach further
};

struct Amount {
  double value = 0;
  double sigma = 0;
};

// The sigmas hold what masks, poses and scale leave open, not that a hull fills hollows.
struct Measures {
  Extent height;           // along the rotation axis
  Extent width;            // the largest extent across the axis
  Extent depth;            // across both
  Amount volume;           // mm^3; the specimen's is at most this
  Amount surface;          // mm^2, of the hull
  double scale_sigma = 0;  // relative, common to all lengths, within their sigmas
  double outline_px = 0;   // 1 sigma of silhouettes about the drawn hull, px of the reduced masks
  double pixel_mm = 0;     // footprint of such a pixel at the specimen
};

// The hull drawn into one view, against its silhouette.
struct ViewAgreement {
  double overlap = 1;    // area of both over area of either
  double uncovered = 0;  // share of the silhouette that lies outside the hull
  double missing = 0;    // what several others show and this view alone excludes, same measure
  cv::Rect region;       // of either, px of the view's camera; empty where there is nearly nothing
  bool cut = false;      // the silhouette runs out of the frame
};

struct Hull {
  Mesh mesh;
  double voxel_mm = 0;
  Measures measures;
  std::vector<ViewAgreement> views;  // one a view
  Findings findings;
};

// CV_8U coverage of view i, 255 = covered, of the size of its camera. Called by several threads.
using MaskReader = std::function<cv::Mat(std::size_t)>;
// CV_8UC3 (BGR, sRGB) of view i, of any size with the camera's aspect; empty where there is none.
using PictureReader = std::function<cv::Mat(std::size_t)>;

// Fewer than three views with a silhouette, or silhouettes that share no point, give an empty mesh
// and a finding.
Hull build_hull(const std::vector<HullView>& views, const MaskReader& mask,
                const HullOptions& options = {});

// Gives every vertex the mean colour of the views that see it, most from those that face it.
void colour_mesh(Mesh& mesh, const std::vector<HullView>& views, const PictureReader& picture);

// The mesh drawn into a view: CV_8U, 255 where it covers the middle of a pixel.
cv::Mat draw_outline(const Mesh& mesh, const Camera& camera, const Pose& pose);

// As files. PLY: binary, mm, world frame. GLB: glTF 2.0 (ISO/IEC 12113:2022), m, +Y up, as
// cameras.gltf. JSON: what was measured, with units.
std::string hull_ply(const Mesh& mesh);
std::string hull_glb(const Mesh& mesh);
std::string hull_json(const Hull& hull, const std::vector<HullView>& views);

}  // namespace trunnion::hull
