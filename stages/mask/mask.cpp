#include "stages/mask/mask.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/error.h"
#include "core/median.h"
#include "core/runs.h"
#include "stages/mask/blocks.h"
#include "stages/mask/dark.h"
#include "stages/mask/edge.h"
#include "stages/mask/gaps.h"
#include "stages/mask/glow.h"
#include "stages/mask/level.h"
#include "stages/mask/margin.h"
#include "stages/mask/pixels.h"
#include "stages/mask/spill.h"

namespace trunnion::mask {
namespace {

constexpr double kNearShare = 0.02;      // of the image's diagonal: fragments this near are kept
constexpr double kFragmentArea = 4.0;    // px; less is noise
constexpr double kOwnShare = 0.05;       // of the main area: a part that may stand apart
constexpr double kWeak = 1.5;            // times the low threshold
constexpr int kRise_px = 8;              // over which the rise of the contrast is measured
constexpr double kSharp_px = 3.0;        // for a rise by the low threshold: a clear outline
constexpr double kWidest_px = 24.0;      // that such a rise may take
constexpr int kSilhouetteLongest = 360;  // px, of the small silhouettes

struct Component {
  std::size_t contour = 0;
  double area = 0;
  double home = 0;      // mean of SurveyResult::occupied along its contour, 0..1
  bool passes = false;  // somewhere above the high threshold
  cv::Rect box;
};

using Contours = std::vector<std::vector<cv::Point>>;

cv::Rect block_box(const cv::Rect& box, int side, const cv::Size& limit) {
  const cv::Rect blocks(box.x / side, box.y / side,
                        (box.x + box.width - 1) / side - box.x / side + 1,
                        (box.y + box.height - 1) / side - box.y / side + 1);
  return blocks & cv::Rect({0, 0}, limit);
}

// Walks the contour through the block maps: is a block above `high` under it, and how often was
// specimen seen there?
void walk_along(const std::vector<cv::Point>& contour, const BlockContrast& blocks,
                const SurveyResult& survey, Component& component) {
  double home = 0;
  for (const cv::Point& point : contour) {
    const cv::Point block(point.x / blocks.side, point.y / blocks.side);
    component.passes =
        component.passes || blocks.strongest.at<float>(block) >= survey.separation.high;
    home += survey.occupied.at<uchar>(block);
  }
  component.home = home / 255.0 / static_cast<double>(contour.size());
  if (!component.passes) {
    double strongest = 0;
    cv::minMaxLoc(blocks.strongest(block_box(component.box, blocks.side, blocks.strongest.size())),
                  nullptr, &strongest);
    // Only large parts can hold their strong blocks away from their outline.
    component.passes =
        component.area > 16.0 * blocks.side * blocks.side && strongest >= survey.separation.high;
  }
}

cv::Mat strongest_near(const cv::Mat& contrast, int reach) {
  cv::Mat result;
  cv::dilate(contrast, result,
             cv::getStructuringElement(cv::MORPH_RECT, {2 * reach + 1, 2 * reach + 1}));
  return result;
}

// Blocks at parts that hold blocks covered whole, CV_8U.
cv::Mat at_broad_parts(const cv::Mat& binary_mask, int side) {
  cv::Mat broad = ~any_in_blocks(~binary_mask, side);
  cv::morphologyEx(broad, broad, cv::MORPH_OPEN, cv::Mat());
  cv::dilate(broad, broad, cv::getStructuringElement(cv::MORPH_RECT, {5, 5}));
  return broad;
}

// How clearly the kept outline stands out: the strongest contrast within a few pixels of it over
// the low threshold there; median, and the share of the outline below kWeak. Where the contrast of
// a broad part rises slowly, the outline may lie anywhere within the width over which it rises by
// the threshold. Where the image breaks off there is no outline.
void judge_outline(const cv::Mat& binary_mask, const cv::Rect& box, const BlockContrast& blocks,
                   const cv::Rect& missing, MaskMeasures& measures, SoftOutline& soft) {
  if (box.empty()) return;
  Contours outlines;
  cv::findContours(binary_mask(box), outlines, cv::RETR_LIST, cv::CHAIN_APPROX_NONE, box.tl());
  const cv::Mat strongest = strongest_near(blocks.strongest, blocks.side == 1 ? 3 : 1);
  const cv::Mat inside = strongest_near(blocks.typical, std::max(1, kRise_px / blocks.side));
  const cv::Mat broad = at_broad_parts(binary_mask, blocks.side);
  const cv::Rect cut(missing.x - 1, missing.y - 1, missing.width + 2, missing.height + 2);
  std::vector<double> ratios;
  std::size_t weak = 0;
  for (const std::vector<cv::Point>& outline : outlines) {
    for (const cv::Point& point : outline) {
      if (!missing.empty() && cut.contains(point)) continue;
      const cv::Point block(point.x / blocks.side, point.y / blocks.side);
      const float low = blocks.low.at<float>(block);
      ratios.push_back(strongest.at<float>(block) / low);
      const bool hardly = ratios.back() < kWeak;
      weak += hardly ? 1U : 0U;
      soft.parts.push_back({point, hardly ? DoubtKind::weak : DoubtKind::outline, 1.0});
      soft.parts.push_back({point, DoubtKind::wide, soft.transition_px - 1.0});
      if (broad.at<uchar>(block) == 0) continue;
      const double rise = std::max(0.1 * low, static_cast<double>(inside.at<float>(block) - low));
      const double width = std::min(kWidest_px, kRise_px * low / rise);
      if (width > kSharp_px) soft.parts.push_back({point, DoubtKind::gradual, width - kSharp_px});
    }
  }
  if (ratios.empty()) return;
  measures.weak_outline = static_cast<double>(weak) / static_cast<double>(ratios.size());
  measures.separation = median_in_place(ratios);
}

// What was filled within the kept region although it does not stand out, row by row.
void find_filled(const cv::Mat& binary_mask, const cv::Mat& foreground, const cv::Rect& box,
                 SoftOutline& soft) {
  if (box.empty()) return;
  const cv::Mat filled = binary_mask(box) & ~foreground(box);
  for (const Run& run : regions_of(filled, Neighbours::four).runs) {
    const cv::Point middle(box.x + (run.begin + run.end) / 2, box.y + run.y);
    soft.parts.push_back({middle, DoubtKind::filled, static_cast<double>(run.end - run.begin)});
  }
}

// Keeps the specimen's components and fills their holes.
cv::Mat specimen_of(const cv::Mat& foreground, const BlockContrast& blocks,
                    const SurveyResult& survey) {
  cv::Mat binary_mask = cv::Mat::zeros(foreground.size(), CV_8U);
  Contours contours;
  std::vector<cv::Vec4i> hierarchy;  // next, previous, first child, parent
  cv::findContours(foreground, contours, hierarchy, cv::RETR_CCOMP, cv::CHAIN_APPROX_NONE);
  std::vector<Component> components;
  for (std::size_t k = 0; k < contours.size(); ++k) {
    if (hierarchy[k][3] >= 0) continue;
    Component component;
    component.contour = k;
    // contourArea runs through pixel centres; half the outline lies outside it.
    component.area =
        cv::contourArea(contours[k]) + static_cast<double>(contours[k].size()) / 2.0 + 1.0;
    component.box = cv::boundingRect(contours[k]);
    if (component.area < kFragmentArea) continue;
    walk_along(contours[k], blocks, survey, component);
    if (component.passes) components.push_back(component);
  }
  if (components.empty()) return binary_mask;
  const auto weight = [](const Component& c) { return c.area * (0.1 + c.home); };
  const Component main = *std::max_element(
      components.begin(), components.end(),
      [&](const Component& a, const Component& b) { return weight(a) < weight(b); });

  const auto draw = [&](std::size_t contour) {
    cv::drawContours(binary_mask, contours, static_cast<int>(contour), cv::Scalar(255), cv::FILLED);
  };
  draw(main.contour);
  const double near_px = kNearShare * std::hypot(foreground.cols, foreground.rows);
  cv::Mat near_main = any_in_blocks(binary_mask, blocks.side);
  const int reach = std::max(1, static_cast<int>(std::lround(near_px / blocks.side)));
  cv::dilate(near_main, near_main,
             cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * reach + 1, 2 * reach + 1}));
  for (const Component& component : components) {
    if (component.contour == main.contour) continue;
    const auto& contour = contours[component.contour];
    const bool near = std::any_of(contour.begin(), contour.end(), [&](const cv::Point& at) {
      return near_main.at<uchar>(at.y / blocks.side, at.x / blocks.side) != 0;
    });
    const bool own = component.area >= kOwnShare * main.area && component.home >= 0.25;
    if (near || own) draw(component.contour);
  }
  return binary_mask;
}

// Takes the mount out as the settings say.
void handle_mount(cv::Mat& coverage, const SurveyResult& survey, const MaskSettings& settings) {
  if (settings.mount == MountHandling::below_line) {
    const int row = static_cast<int>(std::lround(settings.mount_line_px));
    if (row < coverage.rows) coverage.rowRange(std::max(0, row), coverage.rows).setTo(0);
  } else if (settings.mount == MountHandling::detect && cv::countNonZero(survey.mount) > 0) {
    cv::Mat mount;
    cv::resize(survey.mount, mount,
               {survey.mount.cols * survey.scale, survey.mount.rows * survey.scale}, 0, 0,
               cv::INTER_NEAREST);
    coverage.setTo(0, mount(cv::Rect({0, 0}, coverage.size())));
  }
}

cv::Rect with_rim(const cv::Rect& box, const cv::Size& image) {
  constexpr int kRim = 3;  // px; the outermost pixels have neighbours
  if (box.empty()) return box;
  return cv::Rect(box.x - kRim, box.y - kRim, box.width + 2 * kRim, box.height + 2 * kRim) &
         cv::Rect({0, 0}, image);
}

cv::Mat painted(const cv::Mat& image) {
  const double half = image.depth() == CV_16U ? 32767.0 : 127.0;
  cv::Mat plane = image;
  if (image.channels() == 4) {
    cv::extractChannel(image, plane, 3);
    cv::Mat painted = plane > half;
    // Opaque all over, alpha means nothing: an editor that paints in black and white adds it.
    if (cv::countNonZero(painted) < static_cast<int>(painted.total())) return painted;
  }
  if (image.channels() == 4) cv::cvtColor(image, plane, cv::COLOR_BGRA2GRAY);
  if (image.channels() == 3) cv::cvtColor(image, plane, cv::COLOR_BGR2GRAY);
  return plane > half;
}

}  // namespace

MaskResult make_mask(const cv::Mat& image, const SurveyResult& survey, const MaskSettings& settings,
                     double object_pixel_mm, const cv::Rect& missing) {
  MaskResult result;
  BlockContrast blocks = against_glow(image, contrast_of_blocks(image, survey), survey);
  cv::Mat foreground = standing_out(image, blocks, survey);
  foreground(missing).setTo(0);
  cv::Mat binary_mask = specimen_of(foreground, blocks, survey);
  drop_reflections(blocks, survey, binary_mask);
  const cv::Rect box = with_rim(cv::boundingRect(binary_mask), binary_mask.size());
  correct_backdrop(foreground, binary_mask, survey, blocks);
  open_gaps(image, foreground, box, blocks, survey, settings.keep_holes, binary_mask);
  join_dark_parts(image, box, blocks, survey, binary_mask);
  SoftOutline soft = soften(image, box, binary_mask, blocks, survey);
  result.outline = soft.coverage;
  handle_mount(result.outline, survey, settings);
  result.outline(missing).setTo(0);
  const double margin = margin_px(settings, object_pixel_mm);
  result.coverage = with_margin(result.outline, margin);
  if (margin > 0) handle_mount(result.coverage, survey, settings);  // it would grow back
  result.coverage(missing).setTo(0);
  result.measures = measure_mask(result.outline);
  judge_outline(binary_mask, box, blocks, missing, result.measures, soft);
  find_filled(binary_mask, foreground, box, soft);
  predict_overlap(soft.parts, result.measures);
  if (result.measures.box_px.empty()) {
    result.findings.push_back(
        {Severity::doubt, "mask", "",
         "No specimen was found: nothing differs enough from the backdrop.",
         "Light specimen and backdrop separately, or paint the mask by hand."});
  } else if (cv::countNonZero(result.coverage > 127) == 0) {
    result.findings.push_back(
        {Severity::doubt, "mask", "",
         fmt::format("A margin of {:.1f} px leaves nothing of the mask.", margin),
         "Make mask.margin_px or mask.margin_mm smaller, or leave both out."});
  }
  return result;
}

cv::Mat apply_user_mask(const cv::Mat& coverage, const cv::Mat& add, const cv::Mat& subtract) {
  cv::Mat result = coverage.clone();
  for (const cv::Mat* hand : {&add, &subtract}) {
    if (hand->empty()) continue;
    if (hand->size() != coverage.size()) {
      throw data_error(fmt::format(
          "the painted mask is {} x {} pixels, but its image is {} x {}; paint it at the size of "
          "the image.",
          hand->cols, hand->rows, coverage.cols, coverage.rows));
    }
    result.setTo(hand == &add ? 255 : 0, painted(*hand));
  }
  return result;
}

namespace {

// Means over squares of `scale` px; nothing lies outside `any`. Of squares that the frame cuts,
// what lies within it is continued.
cv::Mat silhouette_of(const cv::Mat& coverage, const cv::Rect& any, int scale) {
  const auto squares = [scale](int px) { return (px + scale - 1) / scale; };
  cv::Mat silhouette =
      cv::Mat::zeros(squares(coverage.rows), squares(coverage.cols), coverage.type());
  if (any.empty()) return silhouette;
  const cv::Point from(any.x / scale, any.y / scale);
  const cv::Rect part(from, cv::Point(squares(any.br().x), squares(any.br().y)));
  const cv::Rect pixels = cv::Rect(part.tl() * scale, part.size() * scale);
  const cv::Rect inside = pixels & cv::Rect({0, 0}, coverage.size());
  cv::Mat padded;
  cv::copyMakeBorder(coverage(inside), padded, 0, pixels.height - inside.height, 0,
                     pixels.width - inside.width, cv::BORDER_REPLICATE | cv::BORDER_ISOLATED);
  cv::resize(padded, silhouette(part), part.size(), 0, 0, cv::INTER_AREA);
  return silhouette;
}

}  // namespace

MaskMeasures measure_mask(const cv::Mat& coverage) {
  MaskMeasures measures;
  const cv::Rect any = cv::boundingRect(coverage);
  if (!any.empty()) {
    const cv::Moments moments = cv::moments(coverage(any));
    measures.area_px = moments.m00 / 255.0;
    measures.centroid_px = {any.x + moments.m10 / moments.m00, any.y + moments.m01 / moments.m00};
    measures.box_px = cv::boundingRect(coverage(any) > 127);
    if (!measures.box_px.empty()) measures.box_px += any.tl();
  }
  const cv::Rect& box = measures.box_px;
  measures.touches_left = !box.empty() && box.x == 0;
  measures.touches_right = !box.empty() && box.br().x == coverage.cols;
  measures.touches_top = !box.empty() && box.y == 0;
  measures.touches_bottom = !box.empty() && box.br().y == coverage.rows;
  const int longest = std::max(coverage.cols, coverage.rows);
  measures.silhouette_scale = std::max(1, (longest + kSilhouetteLongest - 1) / kSilhouetteLongest);
  measures.silhouette = silhouette_of(coverage, any, measures.silhouette_scale);
  return measures;
}

}  // namespace trunnion::mask
