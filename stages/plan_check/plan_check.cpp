#include "stages/plan_check/plan_check.h"

#include <fmt/format.h>

#include <cmath>
#include <functional>
#include <map>
#include <opencv2/imgproc.hpp>
#include <set>

#include "core/angle.h"
#include "core/error.h"
#include "core/median.h"
#include "core/station.h"

namespace trunnion::plan_check {
namespace {

using RingImages = std::map<int, std::vector<const ReturnedImage*>>;  // by station

// "3, 7 to 9"
std::string numbers(const std::vector<int>& sorted) {
  std::string text;
  for (std::size_t i = 0; i < sorted.size();) {
    std::size_t last = i;
    while (last + 1 < sorted.size() && sorted[last + 1] == sorted[last] + 1) ++last;
    text += text.empty() ? "" : ", ";
    text += last > i + 1    ? fmt::format("{} to {}", sorted[i], sorted[last])
            : last == i + 1 ? fmt::format("{}, {}", sorted[i], sorted[last])
                            : fmt::format("{}", sorted[i]);
    i = last + 1;
  }
  return text;
}

class Comparison {
 public:
  Comparison(const CapturePlan& plan, const PlanCheckSettings& settings)
      : plan_(plan), settings_(settings) {}

  void add(Severity severity, const std::string& file, std::string what, std::string remedy) {
    findings_.push_back({severity, "plan", file, std::move(what), std::move(remedy)});
  }
  void setup(const std::string& name);
  void stations(const PlannedRing& ring, const RingImages& images);
  void angles(const PlannedRing& ring, const RingImages& images);
  void coverage(const PlannedRing& ring, const RingImages& images);
  void size(const std::vector<ReturnedImage>& images);
  [[nodiscard]] Findings findings() && { return std::move(findings_); }

 private:
  const CapturePlan& plan_;
  const PlanCheckSettings& settings_;
  Findings findings_;
};

void Comparison::setup(const std::string& name) {
  const std::string& planned = plan_.chosen.setup;
  if (name.empty() || name == planned || name == planned_setup_name(plan_.chosen)) return;
  add(Severity::note, "",
      fmt::format("The set was shot with setup {}; setup {} was planned.", name, planned),
      "Focus step and slices of the plan hold for the planned setup only; plan again to compare.");
}

void Comparison::stations(const PlannedRing& ring, const RingImages& images) {
  std::vector<int> missing;
  std::set<int> planned;
  for (const PlannedStation& station : ring.stations) {
    planned.insert(station.station);
    if (!images.contains(station.station)) missing.push_back(station.station);
  }
  std::vector<int> extra;
  for (const auto& [station, found] : images) {
    if (!planned.contains(station)) extra.push_back(station);
    if (found.size() > 1) {
      add(Severity::doubt, found.back()->file,
          fmt::format("Ring {} has {} images of station {}; one was planned.", ring.name,
                      found.size(), station),
          "Keep one and move the others out of the set.");
    }
  }
  if (!missing.empty()) {
    add(Severity::fault, "",
        fmt::format("Ring {}: {} of {} planned stations are missing: {}.", ring.name,
                    missing.size(), ring.stations.size(), numbers(missing)),
        "Capture or fuse them while the specimen is on the stage; the shot list has their rail "
        "positions.");
  }
  if (!extra.empty()) {
    add(Severity::note, "",
        fmt::format("Ring {} has stations that were not planned: {}.", ring.name, numbers(extra)),
        "Check their angles, or plan again.");
  }
}

void Comparison::angles(const PlannedRing& ring, const RingImages& images) {
  for (const PlannedStation& station : ring.stations) {
    const auto found = images.find(station.station);
    if (found == images.end()) continue;
    const double off = degrees(
        std::remainder(found->second.front()->at.stage_angle - station.stage_angle, 2.0 * kPi));
    if (std::abs(off) <= settings_.max_angle_error_deg) continue;
    add(Severity::doubt, found->second.front()->file,
        fmt::format("{} was at {:.2f} deg, {:+.2f} deg from the plan ({:g} is allowed).",
                    station_text(ring.name, station.station),
                    degrees(found->second.front()->at.stage_angle), off,
                    settings_.max_angle_error_deg),
        "Correct the angle in specimen.toml or the capture table if the stage really was there.");
  }
}

void Comparison::coverage(const PlannedRing& ring, const RingImages& images) {
  std::vector<double> fractions;
  for (const auto& [station, found] : images) {
    if (found.front()->coverage) fractions.push_back(found.front()->coverage->fraction);
  }
  const double typical = median_of(fractions);
  for (const auto& [station, found] : images) {
    const ReturnedImage& image = *found.front();
    if (!image.coverage) continue;
    const MaskCoverage& c = *image.coverage;
    if (c.fraction < 0.2 * typical || c.fraction == 0) {
      add(Severity::fault, image.file,
          fmt::format("The specimen covers {:.2g} % of the image, {:.2g} % in the ring's median.",
                      100.0 * c.fraction, 100.0 * typical),
          "Check the image and its mask: the specimen may have fallen, the frame may be black, or "
          "the mask may have failed.");
    }
    std::string edges;
    for (const auto& [touches, name] :
         {std::pair{c.touches_left, "left"}, std::pair{c.touches_right, "right"},
          std::pair{c.touches_top, "top"}}) {
      if (touches) edges += (edges.empty() ? "" : " and ") + std::string(name);
    }
    if (!edges.empty()) {
      add(Severity::doubt, image.file,
          fmt::format("{}: the specimen is cut off at the {} of the frame.",
                      station_text(ring.name, station), edges),
          "Centre the specimen on the axis or plan with its true size.");
    }
  }
}

// What is wider than planned in one view is deeper than planned a quarter turn further.
void Comparison::size(const std::vector<ReturnedImage>& images) {
  double worst = 1.0 + settings_.max_size_excess_percent / 100.0;
  const ReturnedImage* worst_image = nullptr;
  double seen_mm = 0;
  double planned_mm = 0;
  for (const ReturnedImage& image : images) {
    if (!image.coverage || image.coverage->touches_left || image.coverage->touches_right) continue;
    const double seen = image.coverage->box_px.width * plan_.chosen.pixel_um / 1000.0;
    const double planned = plan_.width_mm * std::abs(std::cos(image.at.stage_angle)) +
                           plan_.depth_mm * std::abs(std::sin(image.at.stage_angle));
    if (planned <= 0 || seen / planned <= worst) continue;
    worst = seen / planned;
    worst_image = &image;
    seen_mm = seen;
    planned_mm = planned;
  }
  if (worst_image == nullptr) return;
  add(Severity::doubt, worst_image->file,
      fmt::format("The specimen is {:.3g} mm wide here; {:.3g} mm were planned.", seen_mm,
                  planned_mm),
      "Focus series a quarter turn from here may not cover its depth: check for blur at the near "
      "and far ends, and plan again with the true size.");
}

}  // namespace

MaskCoverage coverage_of(const cv::Mat& mask) {
  if (mask.type() != CV_8UC1) throw data_error("Coverage needs an 8 bit mask of one channel.");
  MaskCoverage coverage;
  const int pixels = cv::countNonZero(mask);
  if (pixels == 0) return coverage;
  coverage.fraction = static_cast<double>(pixels) / static_cast<double>(mask.total());
  coverage.box_px = cv::boundingRect(mask);
  coverage.touches_left = coverage.box_px.x == 0;
  coverage.touches_top = coverage.box_px.y == 0;
  coverage.touches_right = coverage.box_px.br().x == mask.cols;
  coverage.touches_bottom = coverage.box_px.br().y == mask.rows;
  return coverage;
}

Findings compare_with_plan(const CapturePlan& plan, const std::string& setup,
                           const std::vector<ReturnedImage>& images,
                           const PlanCheckSettings& settings) {
  std::map<std::string, RingImages> rings;
  for (const ReturnedImage& image : images)
    rings[image.at.ring][image.at.station].push_back(&image);
  Comparison comparison(plan, settings);
  comparison.setup(setup);
  std::set<std::string> planned;
  for (const PlannedRing& ring : plan.rings) {
    planned.insert(ring.name);
    const RingImages& found = rings[ring.name];
    comparison.stations(ring, found);
    comparison.angles(ring, found);
    comparison.coverage(ring, found);
  }
  for (const auto& [name, found] : rings) {
    if (planned.contains(name)) continue;
    comparison.add(Severity::note, "",
                   fmt::format("Ring {} ({} stations) was not planned.", name, found.size()),
                   "Name rings as in plan.json, or plan again.");
  }
  comparison.size(images);
  return std::move(comparison).findings();
}

}  // namespace trunnion::plan_check
