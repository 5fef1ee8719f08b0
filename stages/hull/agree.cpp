#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "core/median.h"
#include "stages/hull/draw.h"
#include "stages/hull/measure.h"

namespace trunnion::hull {
namespace {

// px of the reduced masks: rounding and the width of a soft edge.
constexpr int kTolerance_px = 2;
// Pixels of a view whose rays are followed to find which other view excludes them.
constexpr std::size_t kRays = 300;
constexpr int kSteps = 256;  // of a ray, through the ball
// Share of a silhouette that is said, and how much more than the other views'.
constexpr double kMuch = 0.005;
constexpr double kMoreThanUsual = 4.0;

struct Drawn {
  cv::Mat outside;             // CV_8U of the crop: silhouette that the hull doesn't cover
  std::vector<float> offsets;  // px, of the drawn outline from the silhouette's
  double pixels = 0;           // of the silhouette
};

Drawn draw(const Mesh& mesh, const Field& field, ViewAgreement& view) {
  Drawn drawn;
  const cv::Mat hull = draw_outline(mesh, field.camera, field.pose)(field.crop);
  const cv::Mat inside = field.silhouette > 127;
  drawn.pixels = cv::countNonZero(inside);
  const double either = cv::countNonZero(hull | inside);
  view.overlap = either > 0 ? cv::countNonZero(hull & inside) / either : 1.0;
  cv::Mat grown;
  const int side = 2 * kTolerance_px + 1;
  cv::dilate(hull, grown, cv::getStructuringElement(cv::MORPH_ELLIPSE, {side, side}));
  drawn.outside = inside & ~grown;
  view.uncovered = cv::countNonZero(drawn.outside) / std::max(1.0, drawn.pixels);
  cv::Mat rim;
  cv::erode(hull, rim, cv::getStructuringElement(cv::MORPH_CROSS, {3, 3}));
  rim = hull & ~rim;
  for (int y = 1; y < rim.rows - 1; ++y) {
    for (int x = 1; x < rim.cols - 1; ++x) {
      if (rim.at<std::uint8_t>(y, x) == 0) continue;
      drawn.offsets.push_back(field.distance.at<std::int16_t>(y, x) / kUnitsPerPx);
    }
  }
  return drawn;
}

cv::Rect in_camera(const cv::Rect& crop_px, const Field& field) {
  if (crop_px.empty()) return {};
  const double sx = static_cast<double>(field.source.width) / field.camera.width_px;
  const double sy = static_cast<double>(field.source.height) / field.camera.height_px;
  const auto at = [](double v) { return static_cast<int>(std::lround(v)); };
  return {at((crop_px.x + field.crop.x) * sx), at((crop_px.y + field.crop.y) * sy),
          at(crop_px.width * sx), at(crop_px.height * sy)};
}

// The box of the largest piece.
cv::Rect largest_piece(const cv::Mat& image) {
  cv::Mat labels;
  cv::Mat stats;
  cv::Mat middles;
  const int count = cv::connectedComponentsWithStats(image, labels, stats, middles);
  int best = 0;
  for (int k = 1; k < count; ++k) {
    const auto area = [&](int i) { return stats.at<int>(i, cv::CC_STAT_AREA); };
    if (best == 0 || area(k) > area(best)) best = k;
  }
  if (best == 0) return {};
  const int* row = stats.ptr<int>(best);
  return {row[cv::CC_STAT_LEFT], row[cv::CC_STAT_TOP], row[cv::CC_STAT_WIDTH],
          row[cv::CC_STAT_HEIGHT]};
}

struct Blame {
  std::size_t view = 0;
  cv::Point2f pixel;  // of that view's reduced mask
};

// The one view that excludes the best point of a ray, where it is only one.
std::optional<Blame> blame_of(const std::vector<Field>& fields, const Ball& ball, std::size_t own,
                              const cv::Point& pixel) {
  const Field& field = fields[own];
  const Camera& camera = field.camera;
  const Eigen::Vector3d at((pixel.x - camera.cx) / camera.fx, (pixel.y - camera.cy) / camera.fy,
                           1.0);
  const Eigen::Matrix3d back = field.pose.R.transpose();
  const bool telecentric = camera.projection == Projection::telecentric;
  const Eigen::Vector3d eye =
      telecentric ? Eigen::Vector3d(back * (Eigen::Vector3d(at.x(), at.y(), 0) - field.pose.t))
                  : field.pose.centre_mm();
  const Eigen::Vector3d along = telecentric ? back.col(2) : (back * at).normalized();
  const double middle = (ball.centre - eye).dot(along);
  for (int k = 0; k <= kSteps; ++k) {
    const Eigen::Vector3d world = eye + (middle + ball.radius * (2.0 * k / kSteps - 1.0)) * along;
    std::optional<Blame> only;
    int vetoes = 0;
    for (std::size_t other = 0; other < fields.size() && vetoes < 2; ++other) {
      if (other == own || fields[other].box.empty()) continue;
      const Eigen::Vector3d p = fields[other].pixel_from_world * world.homogeneous();
      const cv::Point2f there(static_cast<float>(p.x() / p.z()), static_cast<float>(p.y() / p.z()));
      if (!(fields[other].inside_frame(there.x, there.y) > 0)) continue;
      if (fields[other].at(there.x, there.y) > -kTolerance_px) continue;
      ++vetoes;
      only = Blame{other, there};
    }
    if (vetoes == 1) return only;
  }
  return std::nullopt;
}

std::vector<Blame> blames_of(const std::vector<Field>& fields, const Ball& ball, std::size_t own,
                             const cv::Mat& outside) {
  std::vector<cv::Point> pixels;
  cv::findNonZero(outside, pixels);
  std::vector<Blame> blames;
  const std::size_t stride = std::max<std::size_t>(1, pixels.size() / kRays);
  for (std::size_t k = 0; k < pixels.size(); k += stride) {
    const auto found = blame_of(fields, ball, own, pixels[k] + fields[own].crop.tl());
    if (!found) continue;
    for (std::size_t i = 0; i < stride; ++i) blames.push_back(*found);
  }
  return blames;
}

}  // namespace

void agree(const std::vector<Field>& fields, const Ball& ball, Hull& hull) {
  std::vector<Drawn> drawn(fields.size());
  std::vector<std::vector<Blame>> blames(fields.size());
  tbb::parallel_for(std::size_t{0}, fields.size(), [&](std::size_t k) {
    if (fields[k].box.empty()) return;
    drawn[k] = draw(hull.mesh, fields[k], hull.views[k]);
    if (hull.views[k].uncovered > kMuch / 4) {
      blames[k] = blames_of(fields, ball, k, drawn[k].outside);
    }
  });
  std::vector<std::vector<cv::Point2f>> blamed(fields.size());
  std::vector<float> offsets;
  for (std::size_t k = 0; k < fields.size(); ++k) {
    for (const Blame& blame : blames[k]) blamed[blame.view].push_back(blame.pixel);
    offsets.insert(offsets.end(), drawn[k].offsets.begin(), drawn[k].offsets.end());
  }
  for (std::size_t k = 0; k < fields.size(); ++k) {
    ViewAgreement& view = hull.views[k];
    if (fields[k].box.empty()) continue;
    const auto others = static_cast<double>(std::max<std::size_t>(1, fields.size() - 1));
    view.missing = static_cast<double>(blamed[k].size()) / others / std::max(1.0, drawn[k].pixels);
    const bool lacks = view.missing > view.uncovered && !blamed[k].empty();
    view.region = in_camera(
        lacks ? cv::boundingRect(blamed[k]) - fields[k].crop.tl() : largest_piece(drawn[k].outside),
        fields[k]);
  }
  if (offsets.empty()) return;
  const float middle = median_of(offsets);
  for (float& offset : offsets) offset = std::abs(offset - middle);
  // The middle of a drawn pixel lies anywhere within one of the outline.
  const double spread = 1.4826 * median_of(offsets);
  hull.measures.outline_px = std::sqrt(std::max(0.01, spread * spread - 1.0 / 12.0));
}

void add_findings(const std::vector<HullView>& views, Hull& hull) {
  std::vector<double> uncovered;
  for (const ViewAgreement& view : hull.views) uncovered.push_back(view.uncovered);
  const double usual = median_of(uncovered);
  for (std::size_t k = 0; k < views.size(); ++k) {
    const ViewAgreement& view = hull.views[k];
    const cv::Rect& r = view.region;
    const std::string place =
        fmt::format("x {} to {}, y {} to {} px", r.x, r.x + r.width, r.y, r.y + r.height);
    if (view.missing > kMuch / 4) {
      hull.findings.push_back(
          {Severity::doubt, "hull", views[k].name,
           fmt::format("The mask lacks specimen that the other views show, at {}; the visual hull "
                       "is cut there.",
                       place),
           "Look at this mask, and paint it where it lacks specimen; or look at this pose."});
    } else if (view.uncovered > kMuch && view.uncovered > kMoreThanUsual * usual) {
      hull.findings.push_back(
          {Severity::doubt, "hull", views[k].name,
           fmt::format("{:.1f} % of the silhouette lies outside the visual hull of all views, most "
                       "of it at {}.",
                       100.0 * view.uncovered, place),
           "Look at this mask for backdrop at that place, and at this pose."});
    }
  }
  const auto cut = std::count_if(hull.views.begin(), hull.views.end(),
                                 [](const ViewAgreement& view) { return view.cut; });
  if (cut > 0) {
    hull.findings.push_back(
        {Severity::note, "hull", "",
         fmt::format("{} of {} silhouettes run out of the frame; the visual hull ends where fewer "
                     "than half of the views see.",
                     cut, hull.views.size()),
         "Nothing has to be done where only the mount leaves the frame."});
  }
}

}  // namespace trunnion::hull
