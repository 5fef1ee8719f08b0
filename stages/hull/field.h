// The signed distance of one silhouette, sampled where world points project.
#pragma once

#include <opencv2/core.hpp>

#include "core/projection.h"
#include "stages/hull/hull.h"

namespace trunnion::hull {

// 1/32 px in 16 bits reach 1024 px; further away only the sign counts.
inline constexpr float kUnitsPerPx = 32.0F;
// What a view says of points outside its frame: nothing against them.
inline constexpr float kUnknown = 1e9F;

struct Field {
  cv::Rect crop;       // of the reduced mask
  cv::Mat distance;    // CV_16S, kUnitsPerPx a px; positive inside; of the crop
  cv::Mat silhouette;  // CV_8U coverage, of the crop
  cv::Rect box;        // of the silhouette in the reduced mask; empty: no specimen
  Camera camera;       // of the reduced mask
  cv::Size source;     // of the view's camera
  Pose pose;
  Projection34 pixel_from_world = Projection34::Zero();
  bool cut = false;  // the silhouette touches the frame

  // px inside the frame's edge.
  [[nodiscard]] float inside_frame(float u, float v) const;
  // px; the pixel must be in the frame.
  [[nodiscard]] float at(float u, float v) const;
  // px a mm at a world point.
  [[nodiscard]] double scale_at(const Eigen::Vector3d& world) const;
};

// `mask`: CV_8U of the view's camera.
Field make_field(const HullView& view, const cv::Mat& mask, const HullOptions& options);

// Signed distance in px of an outline at half coverage, CV_32F. Exact on straight edges of soft
// masks to some hundredths of a px near the outline. With a radius, strands are widened to it.
cv::Mat signed_distance(const cv::Mat& coverage, double thin_radius_px);

}  // namespace trunnion::hull
