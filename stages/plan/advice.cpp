#include "stages/plan/advice.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>

#include "core/angle.h"

namespace trunnion::plan {
namespace {

class Advice {
 public:
  void add(Severity severity, std::string what, std::string remedy) {
    findings_.push_back({severity, "plan", "", std::move(what), std::move(remedy)});
  }
  Findings findings_;
};

std::string label(const PlanOption& option) {
  return option.objective ? option.setup
                          : fmt::format("{} at f/{:g}", option.setup, option.f_number);
}

std::string duration(double hours) {
  return hours < 48 ? fmt::format("{:.1f} h", hours) : fmt::format("{:.0f} days", hours / 24);
}

// Three digits, rounded to the side on which the value is accepted: at most 1 % is lost.
double rounded(double value, bool up) {
  const double unit = std::pow(10.0, std::floor(std::log10(value)) - 2);
  const double margin = up ? 1 + 1e-9 : 1 - 1e-9;
  const double steps = value * margin / unit;
  return (up ? std::ceil(steps) : std::floor(steps)) * unit;
}

// The finest detail that a setup of this magnification resolves at any aperture tried.
double finest_um(const PlanWish& wish, Setup setup, double magnification,
                 const PlanSettings& settings) {
  setup.measured_magnification = magnification;
  double finest = std::numeric_limits<double>::infinity();
  const bool fixed = settings.keep_aperture || setup.kind == LensKind::objective;
  for (const double n : fixed ? std::vector<double>{setup.f_number} : settings.f_numbers) {
    finest = std::min(finest, weigh(wish, setup, n, settings).focused_um());
  }
  return finest;
}

// No setup has the whole specimen in view: less magnification, or less margin where that suffices.
std::string larger_field(const CapturePlan& plan, const PlanWish& wish,
                         const PlanSettings& settings, const Setup& setup) {
  const double limit = rounded(plan.chosen.magnification * plan.chosen.room, false);
  std::string remedy = fmt::format(
      "Add a setup with a larger field of view: with this sensor a magnification of {:.3g} at most",
      limit);
  const double finest = rounded(finest_um(wish, setup, limit, settings), true);
  if (finest > wish.detail_um) {
    remedy += fmt::format(", and accept a detail of {:.3g} um, the finest there", finest);
  }
  const double usable = 1.0 - 2.0 * settings.frame_margin;
  const double margin = 50.0 * (1.0 - usable / plan.chosen.room);  // %, where it just fits
  const double offered = std::floor(margin * (1 - 1e-9) * 100.0) / 100.0;
  if (offered > 0 && plan.chosen.resolves) {
    remedy += fmt::format(
        "; or leave only {0:.2f} % of the frame free on each side (--frame-margin {0:.2f}), which "
        "masks can do with as long as backdrop is seen all around",
        offered);
  }
  return remedy;
}

// What is missing where no setup serves, and what can be had instead.
void add_impossible(Advice& advice, const CapturePlan& plan, const PlanWish& wish,
                    const PlanSettings& settings, const Setup& setup) {
  if (plan.possible) return;
  std::string remedy;
  if (plan.chosen.fits) {
    const PlanOption* finest = nullptr;
    for (const PlanOption& option : plan.options) {
      if (option.fits && (finest == nullptr || option.focused_um() < finest->focused_um())) {
        finest = &option;
      }
    }
    remedy = fmt::format(
        "Accept a detail of {:.3g} um, the finest that can be had, or of {:.3g} um with {} ({:.0f} "
        "frames, {}), as planned here: the last tenth costs most frames",
        rounded((finest == nullptr ? plan.chosen : *finest).focused_um(), true),
        plan.planned_detail_um, label(plan.chosen), plan.frames,
        duration(plan.chosen.seconds / 3600.0));
  } else {
    remedy = larger_field(plan, wish, settings, setup);
  }
  advice.add(
      Severity::fault,
      fmt::format(
          "No setup both has the whole turning specimen in its field of view and resolves {:g} um.",
          plan.detail_um),
      remedy + ".");
}

// Sizes at which lenses serve: common practice, no source.
void add_lens_class(Advice& advice, const CapturePlan& plan) {
  const double size = std::max({plan.height_mm, plan.width_mm, plan.depth_mm});
  const PlanOption& chosen = plan.chosen;
  const std::string found =
      fmt::format("The specimen measures {:g} mm and the plan uses a magnification of {:.3g}.",
                  size, chosen.magnification);
  if (size > 40.0 && chosen.magnification > 1.0) {
    advice.add(Severity::note, found,
               "Above about 4 cm a long macro lens up to 1:1 suffices in common practice; check "
               "whether the requested detail is needed.");
  } else if (size <= 1.5 && !chosen.objective && plan.detail_um < 2.0 * chosen.diffraction_um) {
    advice.add(Severity::note, found,
               "Below 1 to 2 mm common practice is to use objectives, with much longer series.");
  } else if (size > 1.5 && chosen.objective) {
    advice.add(
        Severity::note, found,
        "From 4 cm down to 1 or 2 mm common practice is to use macro lenses of 1 to 5 times; "
        "an objective makes the series much longer.");
  }
}

void add_aperture(Advice& advice, const CapturePlan& plan) {
  const PlanOption& chosen = plan.chosen;
  if (chosen.objective || chosen.f_number == 0) return;
  // N <= 32 / (m + 1): D. L. Geiger, "Considerations and limits of z-stacking in macrophotography".
  if (chosen.working_f_number > 32.0) {
    advice.add(Severity::note,
               fmt::format("The working f-number is {:.3g}, above the usual limit of 32.",
                           chosen.working_f_number),
               "Diffraction, not the pixels, limits the detail; open the aperture if the detail "
               "matters more than the number of frames.");
  }
  advice.add(
      Severity::note,
      fmt::format("At f/{:g} a view needs about {:.0f} slices and resolves {:.3g} um.",
                  chosen.f_number, plan.frames / (std::max(1, plan.station_count) * chosen.panels),
                  chosen.resolution_um),
      "Closing the aperture by one stop costs a little sharpness and needs far fewer frames; "
      "opening it does the reverse. See the chart. Lenses are usually sharpest one or two stops "
      "from wide open.");
}

void add_sampling(Advice& advice, const CapturePlan& plan) {
  const PlanOption& chosen = plan.chosen;
  if (chosen.pixels_per_element > 4.0) {
    advice.add(
        Severity::note,
        fmt::format("One element resolved by diffraction spans {:.1f} pixels; 2 to 3 are enough.",
                    chosen.pixels_per_element),
        "A larger pixel count is rarely worth the extra data: a sensor with fewer pixels, or "
        "images at half size, would show the same detail.");
  } else if (chosen.pixels_per_element < 2.0) {
    advice.add(Severity::note,
               fmt::format("One element resolved by diffraction spans only {:.1f} pixels: the "
                           "pixels limit the detail, not the lens.",
                           chosen.pixels_per_element),
               "Fine textures may show moire; colour-filter sensors resolve a little less than "
               "computed.");
  }
}

void add_pose_risks(Advice& advice, const CapturePlan& plan, double swept) {
  const PlanOption& chosen = plan.chosen;
  // 0.04 deg: spread of angles recovered from a turntable sequence by Fitzgibbon, Cross and
  // Zisserman (1998); a fair stage does no better.
  const double slip_um = 0.5 * swept * 1000.0 * radians(0.04);
  if (slip_um > chosen.pixel_um) {
    advice.add(
        Severity::note,
        fmt::format("A stage angle wrong by 0.04 deg moves the rim of the specimen by {:.2g} "
                    "um, {:.1f} pixels.",
                    slip_um, slip_um / chosen.pixel_um),
        "Poses will be good starting values with a stated uncertainty, not exact; calibrate the "
        "axis and let the bundle adjustment refine them.");
  }
  // Stamatopoulos, Fraser, Cronk, ISPRS Archives XXXVIII-5, 2010: trouble below about 10 deg.
  if (!chosen.objective && chosen.field_angle < radians(10.0)) {
    advice.add(Severity::doubt,
               fmt::format("The view is only {:.1f} deg wide; below about 10 deg focal length and "
                           "distance are strongly correlated.",
                           degrees(chosen.field_angle)),
               "Calibrate the lens with strongly tilted boards and keep that calibration fixed in "
               "the bundle adjustment.");
  } else if (chosen.objective) {
    advice.add(Severity::doubt,
               "An objective images nearly parallel rays: perspective cannot be observed.",
               "Record how the slices are fused, calibrate with boards fused the same way, and "
               "expect a scaled orthographic camera.");
  }
  for (const PlannedRing& ring : plan.rings) {
    if (ring.step > radians(24.0)) {
      advice.add(Severity::doubt,
                 fmt::format("{} has steps of {:.1f} deg; published practice on turntables uses 3 "
                             "to 24 deg.",
                             ring.name, degrees(ring.step)),
                 "Plan more stations: neighbouring views this far apart may not be matched.");
    }
  }
}

void add_surface(Advice& advice, const PlanWish& wish) {
  switch (wish.surface) {
    case Surface::glossy:
      advice.add(Severity::doubt,
                 "Glossy: highlights travel over the surface as it turns and are matched wrongly; "
                 "their bright rims open holes in masks.",
                 "Small glossy specimens need light from all around (a diffuser close by), crossed "
                 "polarisers where the light can be polarised, and a stop of headroom: fusing "
                 "pushes highlights up.");
      break;
    case Surface::hairy:
      advice.add(Severity::doubt,
                 "Hairy: fine hairs in front of the backdrop are half transparent; fused images "
                 "blur them and masks cut or thicken them.",
                 "Dull and hairy specimens need more directed light that gives hairs contrast, a "
                 "smaller focus step, and a backdrop that differs in brightness.");
      break;
    case Surface::dark:
      advice.add(
          wish.black_backdrop ? Severity::fault : Severity::doubt,
          wish.black_backdrop
              ? "Dark on black: the outline cannot be distinguished from the backdrop."
              : "Dark: little signal in the shadows, and no outline against a black backdrop.",
          "Use a grey or white backdrop with its own light, and expose for the specimen.");
      break;
    case Surface::unknown:
      advice.add(Severity::note,
                 "The surface is not given; glossy, hairy and dark surfaces need special care.",
                 "Add --surface matt, glossy, hairy or dark for advice on light and masks.");
      break;
    case Surface::matt:
      break;
  }
}

// Advice on this plan's numbers; the cautions that hold for every capture stand in core/cautions.h.
void add_strain(Advice& advice, const CapturePlan& plan, const PlanSettings& settings) {
  if (settings.recycle_s > 0) {
    const double interval =
        settings.exposure_s + std::max(settings.settle_s + settings.transfer_s, settings.recycle_s);
    const double rate = 1.0 / interval;
    // 3 flashes in any one second: WCAG 2.3.1; 3 to 30 Hz triggers most: Epilepsy Society.
    const bool many = rate >= 3.0;
    advice.add(many ? Severity::doubt : Severity::note,
               fmt::format("The flash fires {:.1f} times a second{}.", rate,
                           many ? ", in the range that triggers most seizures" : ""),
               many ? "Lengthen --settle or --recycle until it stays below 3 a second."
                    : "See the caution on flashing light.");
  }
  if (plan.chosen.seconds > 8 * 3600.0) {
    advice.add(Severity::note,
               fmt::format("The capture takes {:.0f} hours.", plan.chosen.seconds / 3600.0),
               "Plan pauses between rings, watch for drying and sagging specimens, and leave no "
               "hot lamp or moving stage alone; local rules on unattended equipment come first.");
  }
}

}  // namespace

Findings plan_advice(const CapturePlan& plan, const PlanWish& wish, const PlanSettings& settings,
                     const Setup& chosen) {
  Advice advice;
  add_impossible(advice, plan, wish, settings, chosen);
  add_lens_class(advice, plan);
  add_aperture(advice, plan);
  add_sampling(advice, plan);
  add_pose_risks(advice, plan, wish.diameter_mm.value_or(std::hypot(wish.width_mm, wish.depth_mm)));
  add_surface(advice, wish);
  add_strain(advice, plan, settings);
  return advice.findings_;
}

}  // namespace trunnion::plan
