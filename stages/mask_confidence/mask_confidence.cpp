#include "stages/mask_confidence/mask_confidence.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>

#include "core/median.h"
#include "core/silhouette_hull.h"
#include "core/station.h"

namespace trunnion::mask_confidence {
namespace {

constexpr double kLeastContinuity = 0.85;  // below: the silhouette jumps by over 15 % of itself
constexpr double kLeastAgreement = 0.95;
constexpr double kLeastSeparation = 0.5;
constexpr double kLeastOverlap = 0.965;  // predicted; what falls below is doubted
constexpr std::size_t kLeastViews = 3;   // that a hull says anything of
constexpr double kOutlier = 5.0;         // robust sigmas from what is usual in the set

// Median and robust sigma (1.4826 is the factor of the normal distribution).
std::pair<double, double> usual(const std::vector<double>& values) {
  const double middle = median_of(values);
  std::vector<double> away;
  for (const double value : values) away.push_back(std::abs(value - middle));
  return {middle, 1.4826 * median_of(away)};
}

// Deviation of each view from the mean of its neighbours: relative area plus centroid shift in
// units of the silhouette's own size. NaN where there are no two near neighbours.
std::vector<double> jumps(const std::vector<MaskView>& views) {
  std::vector<double> result(views.size(), std::numeric_limits<double>::quiet_NaN());
  // Beside an empty mask, which is named already, a sound one would seem to jump.
  std::vector<StationId> stations;
  std::vector<std::size_t> shown;  // of `stations` in `views`
  for (std::size_t k = 0; k < views.size(); ++k) {
    if (views[k].measures.area_px <= 0) continue;
    stations.push_back({views[k].ring, 0, views[k].stage_angle});
    shown.push_back(k);
  }
  std::vector<StationNeighbours> neighbours = station_neighbours(stations);
  for (StationNeighbours& each : neighbours) {
    each = {shown[each.before], shown[each.here], shown[each.after], each.near};
  }
  for (const auto& [before, here, after, near] : neighbours) {
    if (!near) continue;
    const MaskMeasures& b = views[before].measures;
    const MaskMeasures& h = views[here].measures;
    const MaskMeasures& a = views[after].measures;
    const double area = 0.5 * (b.area_px + a.area_px);
    if (area <= 0) continue;
    const cv::Point2d middle = 0.5 * (b.centroid_px + a.centroid_px);
    const double shift = cv::norm(h.centroid_px - middle) / std::sqrt(area);
    result[here] = std::abs(h.area_px - area) / area + (h.area_px > 0 ? shift : 0.0);
  }
  // A wrong mask upsets its neighbours' means too: only the greatest jump of the three counts.
  const std::vector<double> all = result;
  for (const auto& [before, here, after, near] : neighbours) {
    if (all[before] > all[here] || all[after] > all[here]) {
      result[here] = std::numeric_limits<double>::quiet_NaN();
    }
  }
  return result;
}

// Silhouette resampled free of distortion, and the projection into it.
HullView hull_view(const MaskView& view, const Camera& camera, const cv::Mat& map_x,
                   const cv::Mat& map_y) {
  const double scale = view.measures.silhouette_scale;
  HullView hull;
  const cv::Mat& silhouette = view.by_hand.before_subtraction.empty()
                                  ? view.measures.silhouette
                                  : view.by_hand.before_subtraction;
  if (map_x.empty()) {
    hull.silhouette = silhouette;
  } else {
    cv::remap(silhouette, hull.silhouette, map_x, map_y, cv::INTER_LINEAR, cv::BORDER_CONSTANT,
              cv::Scalar(0));
  }
  // Centre of cell i is at pixel scale i + (scale - 1) / 2.
  const double shift = 0.5 * (scale - 1.0);
  Camera scaled = camera;
  scaled.fx = camera.fx / scale;
  scaled.fy = camera.fy / scale;
  scaled.cx = (camera.cx - shift) / scale;
  scaled.cy = (camera.cy - shift) / scale;
  hull.pixel_from_world = projection_matrix(scaled, *view.pose);
  return hull;
}

std::vector<HullView> hull_views(const std::vector<MaskView>& views, const Camera& camera) {
  const MaskMeasures& first = views.front().measures;
  cv::Mat map_x;
  cv::Mat map_y;
  if (camera.distorts()) {
    map_x.create(first.silhouette.size(), CV_32FC1);
    map_y.create(first.silhouette.size(), CV_32FC1);
    const double scale = first.silhouette_scale;
    const double shift = 0.5 * (scale - 1.0);
    for (int y = 0; y < map_x.rows; ++y) {
      for (int x = 0; x < map_x.cols; ++x) {
        const Eigen::Vector2d normalised((scale * x + shift - camera.cx) / camera.fx,
                                         (scale * y + shift - camera.cy) / camera.fy);
        const Eigen::Vector2d from = distort(camera, normalised);
        map_x.at<float>(y, x) =
            static_cast<float>((camera.fx * from.x() + camera.cx - shift) / scale);
        map_y.at<float>(y, x) =
            static_cast<float>((camera.fy * from.y() + camera.cy - shift) / scale);
      }
    }
  }
  std::vector<HullView> hulls;
  for (const MaskView& view : views) hulls.push_back(hull_view(view, camera, map_x, map_y));
  return hulls;
}

// `answered`: by what a person painted.
void doubt(MaskConfidence& result, std::size_t k, const MaskView& view, const std::string& what,
           bool answered) {
  if (answered && view.measures.area_px > 0) {  // painted away as a whole is a slip
    result.findings.push_back(
        {Severity::note, "mask", view.name,
         what + " The mask was painted by hand, so this counts as decided.",
         "Nothing to do. Check the painted mask if this is not what you meant."});
    return;
  }
  result.scores[k].doubtful = true;
  result.findings.push_back({Severity::doubt, "mask", view.name, what,
                             "Check the mask; where it is wrong, paint NAME.mask-add.png or "
                             "NAME.mask-subtract.png beside the image."});
}

// Whether what was painted is as much of the mask as a difference is about.
bool changed_by_hand(const MaskView& view, double difference) {
  return view.by_hand.painted && view.by_hand.changed_share >= difference;
}

std::string expected_overlap(const MaskMeasures& measures) {
  const cv::Rect& at = measures.doubt_px;
  return fmt::format(
      "an overlap of only {:.1f} % with the specimen is expected (standard deviation {:.1f} %), "
      "and most of the uncertainty is in columns {} to {}, rows {} to {}.",
      100 * measures.predicted_overlap, 100 * measures.predicted_sigma, at.x, at.br().x - 1, at.y,
      at.br().y - 1);
}

// From what each image shows alone. Reported once where it concerns half of the set or more.
void judge_prediction(const std::vector<MaskView>& views, MaskConfidence& result) {
  std::vector<std::size_t> poor;
  for (std::size_t k = 0; k < views.size(); ++k) {
    const double predicted = views[k].measures.predicted_overlap;
    if (predicted > 0 && predicted < kLeastOverlap) poor.push_back(k);
  }
  if (poor.empty()) return;
  if (2 * poor.size() < views.size()) {
    for (const std::size_t k : poor) {
      doubt(result, k, views[k], "Of this mask " + expected_overlap(views[k].measures), false);
    }
    return;
  }
  std::size_t worst = poor.front();
  for (const std::size_t k : poor) {
    result.scores[k].doubtful = true;
    const auto predicted = [&](std::size_t i) { return views[i].measures.predicted_overlap; };
    if (predicted(k) < predicted(worst)) worst = k;
  }
  result.findings.push_back(
      {Severity::doubt, "mask", "",
       fmt::format("{} of {} masks may not be good enough. Of the poorest, {}, {}", poor.size(),
                   views.size(), views[worst].name, expected_overlap(views[worst].measures)),
       "Check the masks. Choose a backdrop of another brightness or colour, or paint "
       "NAME.mask-add.png or NAME.mask-subtract.png beside the images."});
}

void judge_continuity(const std::vector<MaskView>& views, MaskConfidence& result) {
  const std::vector<double> jump = jumps(views);
  std::vector<double> known;
  for (const double j : jump) {
    if (std::isfinite(j)) known.push_back(j);
  }
  const auto [middle, sigma] = usual(known);
  for (std::size_t k = 0; k < views.size(); ++k) {
    if (!std::isfinite(jump[k])) continue;
    result.scores[k].continuity = std::clamp(1.0 - std::max(0.0, jump[k] - middle), 0.0, 1.0);
    if (result.scores[k].continuity < kLeastContinuity && jump[k] > middle + kOutlier * sigma) {
      doubt(result, k, views[k],
            fmt::format("Mask area or position changes by {:.0f} % from the neighbouring stations; "
                        "{:.0f} % is typical of this set.",
                        100 * jump[k], 100 * middle),
            // Of an elongated mask the position moves by more than the share that goes.
            changed_by_hand(views[k], 0.5 * (jump[k] - middle)));
    }
  }
}

// Empty masks are named already; in the hull one would carve away all that the others show.
void judge_agreement(const std::vector<MaskView>& all, const Camera& camera,
                     MaskConfidence& result) {
  std::vector<MaskView> views;
  std::vector<std::size_t> places;  // of `views` in `all`
  for (std::size_t k = 0; k < all.size(); ++k) {
    if (all[k].measures.area_px <= 0) continue;
    views.push_back(all[k]);
    places.push_back(k);
  }
  if (views.size() < kLeastViews) return;
  const std::vector<HullAgreement> hulls = hull_agreement(hull_views(views, camera));
  result.compared = true;
  std::vector<double> agreements;
  double sum = 0;
  for (const HullAgreement& hull : hulls) {
    agreements.push_back(hull.agreement - hull.missing);
    sum += hull.agreement;
  }
  result.mean_agreement = sum / static_cast<double>(hulls.size());
  const auto [middle, sigma] = usual(agreements);
  if (middle < kLeastAgreement) {
    result.findings.push_back(
        {Severity::doubt, "mask", "",
         fmt::format("With these poses the masks agree with the visual hull of the other views by "
                     "only {:.1f} % (median).",
                     100 * middle),
         "Calibrate lens and axis, or check the stage angles; the masks themselves may be right."});
  }
  for (std::size_t k = 0; k < views.size(); ++k) {
    MaskScore& score = result.scores[places[k]];
    score.agreement = hulls[k].agreement;
    score.missing = hulls[k].missing;
    const bool odd = agreements[k] < std::min(middle, kLeastAgreement) - 1e-9 &&
                     agreements[k] < middle - std::max(0.02, kOutlier * sigma);
    if (!odd) continue;
    if (hulls[k].missing > hulls[k].excess) {
      doubt(result, places[k], views[k],
            fmt::format("The other views show specimen where this mask has none ({:.1f} % of its "
                        "area); part of the specimen may be missing.",
                        100 * hulls[k].missing),
            changed_by_hand(views[k], hulls[k].missing));
    } else {
      doubt(result, places[k], views[k],
            fmt::format("{:.1f} % of the mask lies outside the visual hull of the other views; it "
                        "may contain backdrop.",
                        100 * (1 - hulls[k].agreement)),
            changed_by_hand(views[k], 1 - hulls[k].agreement));
    }
  }
}

}  // namespace

MaskConfidence mask_confidence(const std::vector<MaskView>& views, const Camera& camera) {
  MaskConfidence result;
  result.scores.resize(views.size());
  for (std::size_t k = 0; k < views.size(); ++k) {
    const MaskMeasures& measures = views[k].measures;
    // Outlines at twice the low threshold are as clear as they need be.
    result.scores[k].separation =
        std::clamp(0.5 * measures.separation, 0.0, 1.0) * (1.0 - measures.weak_outline);
    if (measures.area_px <= 0) {
      // Of an empty mask that nobody painted the mask stage says so itself, with the reason.
      result.scores[k].doubtful = true;
      if (views[k].by_hand.painted) doubt(result, k, views[k], "No specimen was found.", false);
    } else if (result.scores[k].separation < kLeastSeparation) {
      doubt(result, k, views[k],
            fmt::format("{:.0f} % of the outline has too little contrast with the backdrop.",
                        100 * measures.weak_outline),
            views[k].by_hand.outline_share >= measures.weak_outline);
    }
  }
  judge_prediction(views, result);
  judge_continuity(views, result);
  const bool posed =
      views.size() >= kLeastViews && std::all_of(views.begin(), views.end(), [](const auto& v) {
        return v.pose.has_value() && !v.measures.silhouette.empty();
      });
  if (posed) judge_agreement(views, camera, result);
  for (std::size_t k = 0; k < views.size(); ++k) {
    MaskScore& score = result.scores[k];
    const double predicted = views[k].measures.predicted_overlap;
    score.score = std::min({score.separation, score.continuity,
                            std::clamp(score.agreement - score.missing, 0.0, 1.0),
                            predicted > 0 ? predicted : 1.0});
  }
  return result;
}

}  // namespace trunnion::mask_confidence
