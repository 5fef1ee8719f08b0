#include "stages/hull/field.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <utility>

#include "stages/hull/draw.h"

namespace trunnion::hull {
namespace {

// A strand is half a pixel wide at least: its coverage across, and at its middle at least where it
// lies half in one pixel and half in the next. Less is noise of the mask.
constexpr double kLeastWidth_px = 0.5;
constexpr double kLeastMiddle = 0.2;
// px beside a strand where the backdrop must show again.
constexpr int kStrandReach = 3;
constexpr int kPad_px = 6;

// How far a pixel's middle lies inside the outline, by its coverage over the steepest slope that
// meets in it.
float edge_offset(const cv::Mat& coverage, int y, int x) {
  const auto value = [&](int v, int u) {
    return coverage.at<std::uint8_t>(std::clamp(v, 0, coverage.rows - 1),
                                     std::clamp(u, 0, coverage.cols - 1)) /
           255.0F;
  };
  const float c = value(y, x);
  const float gx = std::max(std::abs(c - value(y, x - 1)), std::abs(value(y, x + 1) - c));
  const float gy = std::max(std::abs(c - value(y - 1, x)), std::abs(value(y + 1, x) - c));
  const float slope = std::max(0.25F, std::hypot(gx, gy));
  return std::clamp((c - 0.5F) / slope, -0.75F, 0.75F);
}

// Pixels with a neighbour on the other side of one half.
cv::Mat edge_pixels(const cv::Mat& inside) {
  const cv::Mat cross = cv::getStructuringElement(cv::MORPH_CROSS, {3, 3});
  cv::Mat grown;
  cv::Mat shrunk;
  cv::dilate(inside, grown, cross);
  cv::erode(inside, shrunk, cross);
  return grown != shrunk;
}

// The edge's pixels, how far each lies inside the outline, and which is nearest to every pixel.
struct Edge {
  cv::Mat offset;  // CV_32F; kNoEdge elsewhere
  cv::Mat label;   // CV_32S, index into `pixels` + 1
  std::vector<cv::Point> pixels;
};
constexpr float kNoEdge = 1e6F;

Edge edge_of(const cv::Mat& coverage, const cv::Mat& set) {
  Edge edge;
  cv::Mat rough;
  cv::distanceTransform(set == 0, rough, edge.label, cv::DIST_L2, cv::DIST_MASK_5,
                        cv::DIST_LABEL_PIXEL);
  edge.offset = cv::Mat(set.size(), CV_32F, cv::Scalar(kNoEdge));
  edge.pixels.resize(static_cast<std::size_t>(cv::countNonZero(set)));
  for (int y = 0; y < set.rows; ++y) {
    for (int x = 0; x < set.cols; ++x) {
      if (set.at<std::uint8_t>(y, x) == 0) continue;
      edge.offset.at<float>(y, x) = edge_offset(coverage, y, x);
      edge.pixels[static_cast<std::size_t>(edge.label.at<int>(y, x) - 1)] = {x, y};
    }
  }
  return edge;
}

// From a pixel to the outline, by the nearest pixel of the edge and, close by, those around it:
// which of them leads to the outline first depends on its slant.
float to_outline(const Edge& edge, const cv::Point& from, float side) {
  constexpr float kClose_px = 8.0F;
  const cv::Point nearest = edge.pixels[static_cast<std::size_t>(edge.label.at<int>(from) - 1)];
  const auto by = [&](const cv::Point& pixel) {
    const cv::Point off = from - pixel;
    return std::sqrt(static_cast<float>(off.dot(off))) + side * edge.offset.at<float>(pixel);
  };
  float least = by(nearest);
  if (nearest == from || least > kClose_px) return least;
  for (int k = 0; k < 9; ++k) {
    const cv::Point pixel = nearest + cv::Point(k % 3 - 1, k / 3 - 1);
    const bool in =
        pixel.x >= 0 && pixel.y >= 0 && pixel.x < edge.offset.cols && pixel.y < edge.offset.rows;
    if (in && edge.offset.at<float>(pixel) < kNoEdge) least = std::min(least, by(pixel));
  }
  return least;
}

// The middle line of strands narrower than some 2 * kStrandReach px: most covered across a
// direction, with less than half of that on both sides.
cv::Mat strand_middles(const cv::Mat& coverage) {
  constexpr std::array<std::pair<int, int>, 4> kAcross{{{1, 0}, {0, 1}, {1, 1}, {1, -1}}};
  cv::Mat middles = cv::Mat::zeros(coverage.size(), CV_8U);
  const auto least = static_cast<int>(255 * kLeastMiddle);
  const auto width = static_cast<int>(255 * kLeastWidth_px);
  for (int y = kStrandReach; y < coverage.rows - kStrandReach; ++y) {
    for (int x = kStrandReach; x < coverage.cols - kStrandReach; ++x) {
      const int c = coverage.at<std::uint8_t>(y, x);
      if (c < least) continue;
      for (const auto& [dx, dy] : kAcross) {
        const auto away = [&, dx = dx, dy = dy](int steps) {
          return static_cast<int>(coverage.at<std::uint8_t>(y + steps * dy, x + steps * dx));
        };
        const int left = std::min(away(-2), away(-kStrandReach));
        const int right = std::min(away(2), away(kStrandReach));
        if (c >= away(-1) && c > away(1) && away(-1) + c + away(1) >= width &&
            2 * std::max(left, right) < c) {
          middles.at<std::uint8_t>(y, x) = 255;
          break;
        }
      }
    }
  }
  return middles;
}

void widen_strands(const cv::Mat& coverage, double radius_px, cv::Mat& distance) {
  const cv::Mat middles = strand_middles(coverage);
  if (cv::countNonZero(middles) == 0) return;
  cv::Mat from;
  cv::distanceTransform(middles == 0, from, cv::DIST_L2, cv::DIST_MASK_PRECISE);
  distance = cv::max(distance, radius_px - from);
}

cv::Mat reduced(const cv::Mat& mask, double megapixels) {
  const double scale = std::sqrt(megapixels * 1e6 / static_cast<double>(mask.total()));
  if (scale >= 1.0) return mask;
  cv::Mat small;
  cv::resize(mask, small, {}, scale, scale, cv::INTER_AREA);
  return small;
}

bool touches_frame(const cv::Mat& inside) {
  return cv::countNonZero(inside.row(0)) + cv::countNonZero(inside.row(inside.rows - 1)) +
             cv::countNonZero(inside.col(0)) + cv::countNonZero(inside.col(inside.cols - 1)) >
         0;
}

}  // namespace

cv::Mat signed_distance(const cv::Mat& coverage, double thin_radius_px) {
  const cv::Mat inside = coverage > 127;
  const cv::Mat edge = edge_pixels(inside);
  cv::Mat distance(coverage.size(), CV_32F);
  if (cv::countNonZero(edge) == 0) {
    distance = cv::countNonZero(inside) > 0 ? 1e3F : -1e3F;
  } else {
    const Edge outline = edge_of(coverage, edge);
    for (int y = 0; y < coverage.rows; ++y) {
      for (int x = 0; x < coverage.cols; ++x) {
        const float side = inside.at<std::uint8_t>(y, x) != 0 ? 1.0F : -1.0F;
        distance.at<float>(y, x) = side * to_outline(outline, {x, y}, side);
      }
    }
  }
  if (thin_radius_px > 0) widen_strands(coverage, thin_radius_px, distance);
  return distance;
}

float Field::inside_frame(float u, float v) const {
  const auto right = static_cast<float>(camera.width_px) - 0.5F;
  const auto bottom = static_cast<float>(camera.height_px) - 0.5F;
  return std::min(std::min(u + 0.5F, right - u), std::min(v + 0.5F, bottom - v));
}

float Field::at(float u, float v) const {
  const float x = u - static_cast<float>(crop.x);
  const float y = v - static_cast<float>(crop.y);
  const float cx = std::clamp(x, 0.0F, static_cast<float>(crop.width - 1));
  const float cy = std::clamp(y, 0.0F, static_cast<float>(crop.height - 1));
  const int ix = std::min(static_cast<int>(cx), crop.width - 2);
  const int iy = std::min(static_cast<int>(cy), crop.height - 2);
  const float fx = cx - static_cast<float>(ix);
  const float fy = cy - static_cast<float>(iy);
  const auto* top = distance.ptr<std::int16_t>(iy) + ix;
  const auto* low = distance.ptr<std::int16_t>(iy + 1) + ix;
  const float upper = top[0] + fx * static_cast<float>(top[1] - top[0]);
  const float lower = low[0] + fx * static_cast<float>(low[1] - low[0]);
  const float value = (upper + fy * (lower - upper)) / kUnitsPerPx;
  if (cx == x && cy == y) return value;
  return value - std::sqrt((x - cx) * (x - cx) + (y - cy) * (y - cy));
}

double Field::scale_at(const Eigen::Vector3d& world) const {
  const double f = std::sqrt(camera.fx * camera.fy);
  if (camera.projection == Projection::telecentric) return f;
  return f / std::max(1e-9, (pose * world).z());
}

Field make_field(const HullView& view, const cv::Mat& mask, const HullOptions& options) {
  Field field;
  const cv::Mat small = reduced(mask, options.mask_megapixels);
  field.camera = resized(view.camera, small.cols, small.rows);
  field.source = {view.camera.width_px, view.camera.height_px};
  field.pose = view.pose;
  field.pixel_from_world = projection_matrix(field.camera, view.pose);
  const cv::Mat inside = small > 127;
  field.box = cv::boundingRect(inside);
  field.cut = touches_frame(inside);
  const cv::Rect shown = cv::boundingRect(small > static_cast<int>(255 * kLeastMiddle));
  const cv::Rect frame(0, 0, small.cols, small.rows);
  field.crop = cv::Rect(shown.x - kPad_px, shown.y - kPad_px, shown.width + 2 * kPad_px,
                        shown.height + 2 * kPad_px) &
               frame;
  if (field.box.empty()) return field;
  field.silhouette = small(field.crop).clone();
  const cv::Mat distance = signed_distance(field.silhouette, options.thin_radius_px);
  distance.convertTo(field.distance, CV_16S, kUnitsPerPx);
  return field;
}

}  // namespace trunnion::hull
