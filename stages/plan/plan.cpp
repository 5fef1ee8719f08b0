#include "stages/plan/plan.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <tuple>

#include "core/angle.h"
#include "core/error.h"
#include "core/optics.h"
#include "stages/plan/advice.h"

namespace trunnion::plan {
namespace {

constexpr double kCoarser = 1.1;
constexpr double kMaxFrames = 1e9;  // beyond it, "too many" is all there is to say

double swept_mm(const PlanWish& wish) {
  return wish.diameter_mm.value_or(std::hypot(wish.width_mm, wish.depth_mm));
}

// Height of the turning specimen as the raised camera sees it, at most.
double tall_mm(const PlanWish& wish, const PlanSettings& settings) {
  double tall = 0;
  for (const double elevation_deg : settings.elevations_deg) {
    const double e = radians(elevation_deg);
    tall = std::max(tall, wish.height_mm * std::cos(e) + swept_mm(wish) * std::abs(std::sin(e)));
  }
  return tall;
}

void require(bool good, const std::string& sentence) {
  if (!good) throw usage_error(sentence);
}

bool inside(double value, double min, double max) {
  return std::isfinite(value) && value >= min && value <= max;
}

void check(const PlanWish& wish) {
  const auto size = [](double value, const char* what) {
    require(
        inside(value, 0.001, 1000.0),
        fmt::format("The specimen's {} is {} mm; give it in mm, from 0.001 to 1000.", what, value));
  };
  size(wish.height_mm, "height");
  if (wish.diameter_mm) {
    size(*wish.diameter_mm, "diameter");
  } else {
    size(wish.width_mm, "width");
    size(wish.depth_mm, "depth");
  }
  require(inside(wish.detail_um, 0.01, 100'000.0),
          fmt::format("The finest detail is {} um; give it in um, from 0.01 to 100000.",
                      wish.detail_um));
}

void check(const PlanSettings& s) {
  const auto number = [](double value, double min, double max, const char* what) {
    require(inside(value, min, max),
            fmt::format("The {} is {}; give a number from {} to {}.", what, value, min, max));
  };
  require(!s.f_numbers.empty(), "No f-number to try was given; give at least one.");
  for (const double n : s.f_numbers) number(n, 0.5, 128, "f-number to try");
  number(s.frame_margin, 0, 0.45, "frame margin (fraction of the field)");
  number(s.depth_margin, 0, 2, "depth margin (fraction of the depth)");
  number(s.slice_overlap, 0, 0.95, "slice overlap (fraction of the depth of field)");
  number(s.useful_arc_deg, 10, 180, "useful arc in degrees");
  number(s.station_overlap, 0, 0.99, "station overlap (fraction of the useful arc)");
  if (s.stations) number(*s.stations, 1, 100'000, "number of stations");
  require(!s.elevations_deg.empty() && s.elevations_deg.size() <= 100,
          "Give one to 100 elevations of the camera, in degrees.");
  for (const double e : s.elevations_deg) number(e, -85, 85, "elevation in degrees");
  number(s.settle_s, 0, 3600, "settling time in s");
  number(s.exposure_s, 0, 3600, "exposure in s");
  number(s.recycle_s, 0, 3600, "flash recycling time in s");
  number(s.transfer_s, 0, 3600, "transfer time in s");
  number(s.station_s, 0, 3600, "time to turn the stage in s");
  number(s.ring_s, 0, 36000, "time to change the ring in s");
  number(s.raw_bits, 1, 64, "number of bits of a raw pixel");
  number(s.fused_bits, 1, 64, "number of bits of a fused channel");
}

// A setup file's numbers are each in range; together they may still make no lens.
void check(const Setup& setup) {
  const double m = setup.lateral_magnification();
  if (!inside(m, 1e-4, 1000.0)) {
    throw data_error(fmt::format(
        "Setup {} has a magnification of {:.3g}; correct magnification, extension_mm and converter "
        "so that it lies between 0.0001 and 1000.",
        setup.name, m));
  }
}

// The stations of every ring and the depth each of them has to cover; the same for every setup.
std::vector<PlannedRing> rings_of(const PlanWish& wish, const PlanSettings& settings) {
  std::vector<PlannedRing> rings;
  for (const double elevation_deg : settings.elevations_deg) {
    PlannedRing ring;
    ring.name = fmt::format("ring{}", rings.size() + 1);
    ring.elevation = radians(elevation_deg);
    const int count = settings.stations.value_or(
        stations_for_overlap(settings.useful_arc_deg, settings.station_overlap, ring.elevation));
    ring.step = 2.0 * kPi / count;
    for (int i = 0; i < count; ++i) {
      PlannedStation station;
      station.station = i;
      station.stage_angle = static_cast<int>(ring.turning) * ring.step * i;
      station.depth_mm = depth_seen_mm(wish, station.stage_angle, ring.elevation) *
                         (1.0 + 2.0 * settings.depth_margin);
      ring.stations.push_back(station);
    }
    if (settings.same_range) {
      const auto deepest =
          std::max_element(ring.stations.begin(), ring.stations.end(),
                           [](const auto& a, const auto& b) { return a.depth_mm < b.depth_mm; });
      const double depth_mm = deepest->depth_mm;
      for (PlannedStation& station : ring.stations) station.depth_mm = depth_mm;
    }
    rings.push_back(ring);
  }
  return rings;
}

ImagingPoint point_of(const Setup& setup, double f_number) {
  if (setup.kind == LensKind::objective) {
    ImagingPoint point;
    point.magnification = setup.lateral_magnification();
    point.numerical_aperture = setup.numerical_aperture;
    return point;
  }
  return photographic_point(f_number, setup.lateral_magnification() / setup.converter,
                            setup.pupil_magnification, setup.converter);
}

// Panels are views side by side (turned camera or not), each overlapping the next by a third as
// stitched views need.
void set_field(PlanOption& option, const Setup& setup, const PlanWish& wish,
               const PlanSettings& settings) {
  const double m = option.magnification;
  const double wide = field_of_view_mm(setup.width_px * setup.pixel_pitch_um / 1000.0, m);
  const double high = field_of_view_mm(setup.height_px * setup.pixel_pitch_um / 1000.0, m);
  const double swept = swept_mm(wish);
  const double tall = tall_mm(wish, settings);
  const double usable = 1.0 - 2.0 * settings.frame_margin;
  const auto panels = [&](double field_w, double field_h) {
    const auto along = [&](double need, double field) {
      return need <= field * usable
                 ? 1.0
                 : std::ceil((need - field * usable) / (field * usable * 2.0 / 3.0)) + 1.0;
    };
    return along(swept, field_w) * along(tall, field_h);
  };
  const double as_filed = panels(wide, high);
  const double turned = panels(high, wide);
  switch (settings.orientation) {
    case Orientation::as_needed:
      option.turned = turned < as_filed;
      break;
    case Orientation::as_filed:
      option.turned = false;
      break;
    case Orientation::landscape:
      option.turned = wide < high;
      break;
    case Orientation::portrait:
      option.turned = wide > high;
      break;
  }
  const double room_as_filed = std::min(wide / swept, high / tall);
  const double room_turned = std::min(high / swept, wide / tall);
  const bool free = settings.orientation == Orientation::as_needed;
  option.room = usable * (free            ? std::max(room_as_filed, room_turned)
                          : option.turned ? room_turned
                                          : room_as_filed);
  option.field_width_mm = option.turned ? high : wide;
  option.field_height_mm = option.turned ? wide : high;
  option.portrait = option.field_height_mm > option.field_width_mm;
  const double count = option.turned ? turned : as_filed;
  option.panels = static_cast<int>(std::min(count, 1e9));
  option.fits = option.panels == 1;
  if (!option.fits) {
    option.reason = fmt::format(
        "field of view {:.3g} x {:.3g} mm, but the turning specimen fills {:.3g} x {:.3g} mm",
        option.field_width_mm * usable, option.field_height_mm * usable, swept, tall);
  }
}

void set_cost(PlanOption& option, const Setup& setup, const std::vector<PlannedRing>& rings,
              const PlanSettings& settings) {
  double frames = 0;
  double stations = 0;
  for (const PlannedRing& ring : rings) {
    for (const PlannedStation& station : ring.stations) {
      frames += slices_for_depth(station.depth_mm, option.step_mm);
      stations += 1;
    }
  }
  const double panels = option.panels;
  option.frames = frames * panels;
  option.seconds = panels * (frames * times_of(settings).frame_s() + stations * settings.station_s +
                             static_cast<double>(rings.size() - 1) * settings.ring_s);
  const double pixels = static_cast<double>(setup.width_px) * setup.height_px;
  option.raw_gb = option.frames * pixels * settings.raw_bits / 8.0 / 1e9;
  option.fused_gb = panels * stations * pixels * 3.0 * settings.fused_bits / 8.0 / 1e9;
}

PlanOption weigh_on(const PlanWish& wish, const Setup& setup, double f_number,
                    const std::vector<PlannedRing>& rings, const PlanSettings& settings) {
  const ImagingPoint point = point_of(setup, f_number);
  PlanOption option;
  option.setup = setup.name;
  option.title = setup.title;
  option.objective = setup.kind == LensKind::objective;
  option.magnification = point.magnification;
  option.f_number = option.objective ? 0 : f_number;
  option.working_f_number = point.working_f_number();
  option.numerical_aperture = point.numerical_aperture;
  option.pixel_um = setup.pixel_pitch_um / point.magnification;
  const double budget = blur_budget_um(point, setup.pixel_pitch_um, wish.detail_um);
  option.resolves = budget >= 0;
  option.blur_um = std::max(0.0, budget);
  option.depth_of_field_mm = depth_of_field_mm(point, option.blur_um * point.magnification);
  option.step_mm = (1.0 - settings.slice_overlap) * option.depth_of_field_mm;
  const Resolution fine = resolution(point, setup.pixel_pitch_um, option.step_mm);
  option.diffraction_um = fine.diffraction_um;
  option.resolution_um = fine.total_um();
  option.pixels_per_element = pixels_per_resolved_element(point, setup.pixel_pitch_um);
  if (!option.objective) {
    option.field_angle = telecentricity(setup.width_px * setup.pixel_pitch_um / 1000.0,
                                        point.magnification, setup.object_distance_mm())
                             .field_angle;
  }
  set_field(option, setup, wish, settings);
  set_cost(option, setup, rings, settings);
  if (!option.resolves) {
    option.reason += option.reason.empty() ? "" : "; ";
    option.reason += fmt::format("resolves {:.3g} um at best", option.focused_um());
  }
  return option;
}

// Options that serve first, by frames; then those nearest to what was asked for.
auto rank(const PlanOption& option) {
  const int group = option.fits && option.resolves ? 0 : option.fits ? 1 : option.resolves ? 2 : 3;
  const double order = group == 1 ? option.focused_um() : option.frames;
  return std::tuple(group, order, option.focused_um(), option.setup);
}

PlanOption best_aperture(const PlanWish& wish, const Setup& setup,
                         const std::vector<PlannedRing>& rings, const PlanSettings& settings) {
  if (settings.keep_aperture || setup.kind == LensKind::objective) {
    return weigh_on(wish, setup, setup.f_number, rings, settings);
  }
  std::vector<PlanOption> apertures;
  for (const double n : settings.f_numbers) {
    apertures.push_back(weigh_on(wish, setup, n, rings, settings));
  }
  return *std::min_element(apertures.begin(), apertures.end(), [](const auto& a, const auto& b) {
    if (!a.resolves && !b.resolves) return a.focused_um() < b.focused_um();
    return rank(a) < rank(b);
  });
}

// Every setup at its best aperture, best first.
std::vector<PlanOption> options_of(const PlanWish& wish, const std::vector<Setup>& setups,
                                   const std::vector<PlannedRing>& rings,
                                   const PlanSettings& settings) {
  std::vector<PlanOption> options;
  for (const Setup& setup : setups) {
    options.push_back(best_aperture(wish, setup, rings, settings));
    options.back().setup_index = options.size() - 1;
  }
  std::stable_sort(options.begin(), options.end(),
                   [](const auto& a, const auto& b) { return rank(a) < rank(b); });
  return options;
}

void set_series(CapturePlan& plan) {
  for (PlannedRing& ring : plan.rings) {
    for (PlannedStation& station : ring.stations) {
      station.slices = static_cast<int>(slices_for_depth(station.depth_mm, plan.chosen.step_mm));
      station.first_mm = 0.5 * (station.slices - 1) * plan.chosen.step_mm;
    }
    plan.station_count += static_cast<int>(ring.stations.size());
  }
  plan.frames = plan.chosen.frames;
}

}  // namespace

int stations_for_overlap(double useful_arc_deg, double overlap, double elevation) {
  const double step = useful_arc_deg * (1.0 - overlap) / std::cos(elevation);
  const int least = std::max(4, static_cast<int>(std::ceil(360.0 / step - 1e-9)));
  for (int count = least; count <= 360; ++count) {
    if (360 % count == 0) return count;
  }
  return least;
}

double depth_seen_mm(const PlanWish& wish, double stage_angle, double elevation) {
  const double level = wish.diameter_mm.value_or(wish.width_mm * std::abs(std::sin(stage_angle)) +
                                                 wish.depth_mm * std::abs(std::cos(stage_angle)));
  return level * std::cos(elevation) + wish.height_mm * std::abs(std::sin(elevation));
}

PlanOption weigh(const PlanWish& wish, const Setup& setup, double f_number,
                 const PlanSettings& settings) {
  check(wish);
  check(settings);
  check(setup);
  return weigh_on(wish, setup, f_number > 0 ? f_number : setup.f_number, rings_of(wish, settings),
                  settings);
}

std::vector<PlanOption> what_if(const CapturePlan& plan, const PlanWish& wish, const Setup& setup,
                                const PlanSettings& settings) {
  std::vector<PlanOption> rows;
  PlanWish planned = wish;
  planned.detail_um = plan.planned_detail_um;
  const auto rings = rings_of(wish, settings);
  if (setup.kind == LensKind::objective) {
    rows.push_back(weigh_on(planned, setup, 0, rings, settings));
    return rows;
  }
  for (const double n : settings.f_numbers) {
    rows.push_back(weigh_on(planned, setup, n, rings, settings));
  }
  return rows;
}

FrameUse frame_use(const CapturePlan& plan, const PlanWish& wish, const PlanSettings& settings) {
  const PlanOption& chosen = plan.chosen;
  FrameUse use;
  use.width_share = swept_mm(wish) / chosen.field_width_mm;
  use.height_share = tall_mm(wish, settings) / chosen.field_height_mm;
  const double usable = 1.0 - 2.0 * settings.frame_margin;
  const auto cropped = [&](double share, double field_mm) {
    const double full = std::round(1000.0 * field_mm / chosen.pixel_um);
    // Whole blocks of 16 px, as codecs like them, and the axis stays in the middle.
    const double needed = 16.0 * std::ceil(share / usable * full / 16.0);
    return static_cast<int>(std::min(full, needed));
  };
  use.crop_width_px = cropped(use.width_share, chosen.field_width_mm);
  use.crop_height_px = cropped(use.height_share, chosen.field_height_mm);
  const double pixels =
      1e6 * chosen.field_width_mm * chosen.field_height_mm / (chosen.pixel_um * chosen.pixel_um);
  use.saved =
      std::max(0.0, 1.0 - static_cast<double>(use.crop_width_px) * use.crop_height_px / pixels);
  return use;
}

CaptureTimes times_of(const PlanSettings& settings) {
  const double between = std::max(settings.settle_s + settings.transfer_s, settings.recycle_s);
  return {settings.settle_s, settings.exposure_s, between - settings.settle_s, settings.station_s,
          settings.ring_s};
}

CapturePlan plan_capture(const PlanWish& wish, const std::vector<Setup>& setups,
                         const PlanSettings& settings) {
  check(wish);
  check(settings);
  require(!setups.empty(), "No setup was given; name at least one setup file.");
  for (const Setup& setup : setups) check(setup);
  CapturePlan plan;
  plan.title = wish.title;
  plan.height_mm = wish.height_mm;
  plan.width_mm = wish.diameter_mm.value_or(wish.width_mm);
  plan.depth_mm = wish.diameter_mm.value_or(wish.depth_mm);
  plan.detail_um = wish.detail_um;
  plan.surface = wish.surface;
  plan.rings = rings_of(wish, settings);
  plan.options = options_of(wish, setups, plan.rings, settings);
  plan.chosen = plan.options.front();
  plan.possible = plan.chosen.fits && plan.chosen.resolves;
  plan.planned_detail_um = wish.detail_um;
  if (plan.chosen.fits && !plan.possible) {
    // The finest that can be had in one view costs most; a little coarser costs far less.
    PlanWish coarser = wish;
    coarser.detail_um = kCoarser * plan.chosen.focused_um();
    plan.chosen = options_of(coarser, setups, plan.rings, settings).front();
    plan.planned_detail_um = coarser.detail_um;
  }
  require(
      inside(plan.chosen.frames, 1, kMaxFrames),
      fmt::format(
          "The best setup would need {:.2g} frames; choose a coarser detail or a smaller specimen.",
          plan.chosen.frames));
  set_series(plan);
  plan.advice = plan_advice(plan, wish, settings, setups[plan.chosen.setup_index]);
  return plan;
}

}  // namespace trunnion::plan
