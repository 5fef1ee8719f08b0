#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "stages/hull/draw.h"

namespace trunnion::hull {
namespace {

struct Sum {
  Eigen::Vector3f bgr = Eigen::Vector3f::Zero();
  float weight = 0;
};

// A vertex that lies deeper than its pixel's nearest by more is hidden: of the picture's pixels.
constexpr double kHidden_px = 4.0;
// Of the weight of a view that sees a vertex; a hidden one gets the mean of those that face it.
constexpr float kUnseen = 1e-4F;

struct Colours {
  cv::Mat picture;
  std::vector<Seen> seen;
  cv::Mat depth;
  double hidden_mm = 0;
};

Colours colours_of(const Mesh& mesh, const HullView& view, const cv::Mat& picture) {
  Colours colours;
  colours.picture = picture;
  if (picture.empty()) return colours;
  const Camera camera = resized(view.camera, picture.cols, picture.rows);
  colours.seen = see(mesh, camera, view.pose);
  colours.depth = depth_of(colours.seen, picture.size());
  // Splats leave gaps where vertices are far apart; the near surface closes them.
  cv::erode(colours.depth, colours.depth, cv::Mat::ones(3, 3, CV_8U));
  const bool telecentric = camera.projection == Projection::telecentric;
  const double z = telecentric ? 1.0 : std::max(1e-9, view.pose.t.z());
  colours.hidden_mm = kHidden_px * z / camera.fx;
  return colours;
}

void add(const HullView& view, const Colours& colours, const Mesh& mesh, std::size_t k, Sum& sum) {
  const Seen& at = colours.seen[k];
  const int u = static_cast<int>(std::lround(at.u));
  const int v = static_cast<int>(std::lround(at.v));
  if (u < 0 || v < 0 || u >= colours.picture.cols || v >= colours.picture.rows) return;
  const Eigen::Vector3d towards =
      view.camera.projection == Projection::telecentric
          ? Eigen::Vector3d(-view.pose.R.row(2).transpose())
          : (view.pose.centre_mm() - mesh.vertices[k].cast<double>()).normalized();
  const auto facing = static_cast<float>(towards.dot(mesh.normals[k].cast<double>()));
  float weight = std::max(0.02F, facing);
  weight *= weight * weight;
  if (at.depth > static_cast<double>(colours.depth.at<float>(v, u)) + colours.hidden_mm) {
    weight *= kUnseen;
  }
  const auto& pixel = colours.picture.at<cv::Vec3b>(v, u);
  sum.bgr += weight * Eigen::Vector3f(pixel[0], pixel[1], pixel[2]);
  sum.weight += weight;
}

}  // namespace

void colour_mesh(Mesh& mesh, const std::vector<HullView>& views, const PictureReader& picture) {
  // Views are seen some at a time, so that memory is bounded, and added up in their order.
  constexpr std::size_t kAtOnce = 4;
  constexpr std::size_t kBlock = 4096;
  std::vector<Sum> sums(mesh.vertices.size());
  for (std::size_t first = 0; first < views.size(); first += kAtOnce) {
    std::vector<Colours> some(std::min(kAtOnce, views.size() - first));
    tbb::parallel_for(std::size_t{0}, some.size(), [&](std::size_t k) {
      some[k] = colours_of(mesh, views[first + k], picture(first + k));
    });
    tbb::parallel_for(std::size_t{0}, (sums.size() + kBlock - 1) / kBlock, [&](std::size_t block) {
      const std::size_t end = std::min(sums.size(), (block + 1) * kBlock);
      for (std::size_t k = block * kBlock; k < end; ++k) {
        for (std::size_t i = 0; i < some.size(); ++i) {
          if (!some[i].picture.empty()) add(views[first + i], some[i], mesh, k, sums[k]);
        }
      }
    });
  }
  const bool any = std::any_of(sums.begin(), sums.end(), [](const Sum& s) { return s.weight > 0; });
  mesh.rgb.clear();
  if (!any) return;
  mesh.rgb.reserve(sums.size());
  for (const Sum& sum : sums) {
    const Eigen::Vector3f bgr =
        sum.weight > 0 ? Eigen::Vector3f(sum.bgr / sum.weight) : Eigen::Vector3f::Constant(128.0F);
    mesh.rgb.push_back({cv::saturate_cast<std::uint8_t>(bgr.z()),
                        cv::saturate_cast<std::uint8_t>(bgr.y()),
                        cv::saturate_cast<std::uint8_t>(bgr.x())});
  }
}

}  // namespace trunnion::hull
