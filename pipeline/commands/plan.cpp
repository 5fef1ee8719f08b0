// trunnion plan: from a specimen's size and the detail wanted to a setup, a workspace to fill and
// a shot list.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <utility>

#include "config/presets.h"
#include "config/settings.h"
#include "core/date.h"
#include "core/error.h"
#include "pipeline/command_line.h"
#include "pipeline/plan_outputs.h"
#include "stages/plan/plan.h"

namespace trunnion {
namespace {

std::vector<PlanCandidate> candidates_of(const PlanOptions& options) {
  std::vector<PlanCandidate> candidates;
  for (const std::string& file : options.setups) candidates.push_back({read_setup(file), file});
  std::vector<std::string> presets = options.presets;
  const bool none_named = candidates.empty() && presets.empty();
  if (none_named || std::find(presets.begin(), presets.end(), "all") != presets.end()) {
    presets = preset_names();
  }
  for (const std::string& name : presets) candidates.push_back({read_preset(name), {}});
  return candidates;
}

void check_sizes(const plan::PlanWish& wish) {
  std::string missing;
  const auto need = [&missing](double value, const char* option) {
    if (value == 0) missing += (missing.empty() ? "" : ", ") + std::string(option);
  };
  need(wish.height_mm, "--height");
  if (!wish.diameter_mm) {
    if (wish.width_mm == 0 && wish.depth_mm == 0) {
      need(0, "--width and --depth (or --diameter)");
    } else {
      need(wish.width_mm, "--width");
      need(wish.depth_mm, "--depth");
    }
  }
  need(wish.detail_um, "--detail");
  if (missing.empty()) return;
  throw usage_error(fmt::format(
      "Missing: {}; give sizes of the specimen in mm and the finest detail in um.", missing));
}

// The title goes into TOML, JSON and SVG, which are UTF-8.
void check_title(const std::string& title) {
  try {
    static_cast<void>(nlohmann::json(title).dump());
  } catch (const nlohmann::json::exception&) {
    throw usage_error("--title is not valid UTF-8; give it in the terminal's UTF-8 encoding.");
  }
}

CommandResult list_presets() {
  CommandResult result;
  result.json["presets"] = nlohmann::ordered_json::array();
  for (const std::string& name : preset_names()) {
    const Setup setup = read_preset(name);
    result.text += fmt::format("{:<28} {}\n", name, setup.title);
    result.json["presets"].push_back({{"name", name}, {"title", setup.title}});
  }
  return result;
}

// What the plan says beyond its own text: distance and clearance of the lens, use of the frame and
// the other apertures.
void add_closer_look(const PlanOptions& options, const CapturePlan& plan, const Setup& setup,
                     CommandResult& result) {
  const plan::FrameUse use = plan::frame_use(plan, options.wish, options.settings);
  const double distance = setup.object_distance_mm();
  result.text += fmt::format(
      "\nThe specimen takes {:.0f} % of the frame's width and {:.0f} % of its height while it "
      "turns; "
      "a crop of {} x {} px would hold it and save {:.0f} % of the pixels.\nEntrance pupil to "
      "plane "
      "of focus: {:.3g} mm.\n",
      100 * use.width_share, 100 * use.height_share, use.crop_width_px, use.crop_height_px,
      100 * use.saved, distance);
  result.json["frame_use"] = {{"width", use.width_share},
                              {"height", use.height_share},
                              {"crop_width_px", use.crop_width_px},
                              {"crop_height_px", use.crop_height_px},
                              {"saved", use.saved}};
  result.json["entrance_pupil_to_focus_mm"] = distance;
  result.json["clearance_mm"] = nullptr;
  if (options.front_diameter_mm > 0 && options.free_distance_mm > 0) {
    const std::vector<double> clearances = plan::clearances_mm(
        plan, options.wish, {options.front_diameter_mm, options.free_distance_mm});
    result.json["clearance_mm"] = clearances;
    for (std::size_t r = 0; r < clearances.size(); ++r) {
      result.text +=
          clearances[r] > 0
              ? fmt::format("Clearance of lens and specimen on {}: {:.1f} mm at least.\n",
                            plan.rings[r].name, clearances[r])
              : fmt::format(
                    "On {} the lens touches the turning specimen: use a lens of "
                    "more free distance, or another elevation.\n",
                    plan.rings[r].name);
    }
  } else {
    result.text +=
        "Clearance of lens and specimen: unknown; give --front-diameter and --free-distance.\n";
  }
  const auto rows = plan::what_if(plan, options.wish, setup, options.settings);
  result.text += plan::what_if_text(rows, plan);
  result.json["what_if"] = nlohmann::ordered_json::array();
  for (const PlanOption& o : rows) {
    result.json["what_if"].push_back({{"f_number", o.f_number},
                                      {"detail_um", o.resolution_um},
                                      {"step_mm", o.step_mm},
                                      {"frames", o.frames},
                                      {"seconds", o.seconds},
                                      {"resolves", o.resolves}});
  }
}

void set_orientation(PlanOptions& options) {
  constexpr std::array kOrientations{"as-needed", "as-filed", "landscape", "portrait"};
  const auto found = std::find(kOrientations.begin(), kOrientations.end(), options.orientation);
  options.settings.orientation = static_cast<plan::Orientation>(found - kOrientations.begin());
}

CommandResult run_plan(PlanOptions options) {
  if (options.list_presets) return list_presets();
  check_title(options.wish.title);
  if (options.wish.diameter_mm && (options.wish.width_mm > 0 || options.wish.depth_mm > 0)) {
    throw usage_error(
        "--diameter and --width or --depth exclude each other; give one or the other.");
  }
  if (options.wish.diameter_mm && options.wish.height_mm == 0) {
    options.wish.height_mm = *options.wish.diameter_mm;
  }
  check_sizes(options.wish);
  for (int i = 0; i <= static_cast<int>(Surface::dark); ++i) {
    if (options.surface == name_of(static_cast<Surface>(i))) {
      options.wish.surface = static_cast<Surface>(i);
    }
  }
  set_orientation(options);
  options.wish.black_backdrop = options.backdrop == "black";
  const std::vector<PlanCandidate> candidates = candidates_of(options);
  std::vector<Setup> setups;
  for (const PlanCandidate& candidate : candidates) setups.push_back(candidate.setup);
  const CapturePlan plan = plan::plan_capture(options.wish, setups, options.settings);

  std::vector<PlanOutput> outputs =
      plan_outputs(options, plan, candidates[plan.chosen.setup_index]);
  write_plan_outputs(outputs, options.force);

  CommandResult result;
  result.json = nlohmann::ordered_json::parse(plan_to_json(plan));
  result.json["written"] = nlohmann::ordered_json::array();
  result.text = plan::plan_text(plan, options.all ? 0 : 12);
  const std::time_t begin = begin_of(options);
  const std::string end =
      iso_date(begin + static_cast<std::time_t>(plan.chosen.seconds) + 30).substr(0, 16);
  const auto as_read = [](std::string iso) { return iso.replace(10, 1, " "); };
  result.text +=
      fmt::format("\nBegun {}, the capture ends at about {}.\n",
                  options.start.empty() ? "now" : "at " + as_read(options.start), as_read(end));
  if (!options.start.empty()) result.json["end"] = end;
  add_closer_look(options, plan, candidates[plan.chosen.setup_index].setup, result);
  for (const PlanOutput& output : outputs) {
    result.text += fmt::format("wrote {}\n", output.file.string());
    result.json["written"].push_back(output.file.string());
  }
  result.exit_code = plan.possible ? 0 : 1;
  if (!plan.possible) {
    result.errors = {"No setup meets the request; run again without --quiet for the nearest plan."};
  }
  return result;
}

void add_wish(CLI::App& command, PlanOptions& o) {
  const char* group = "Specimen";
  command.add_option("--height", o.wish.height_mm, "Height along the rotation axis, mm")
      ->group(group);
  command.add_option("--width", o.wish.width_mm, "Width across the view at stage angle 0, mm")
      ->group(group);
  command.add_option("--depth", o.wish.depth_mm, "Depth along the view at stage angle 0, mm")
      ->group(group);
  command
      .add_option_function<double>(
          "--diameter", [&o](double value) { o.wish.diameter_mm = value; },
          "Diameter of the circle it sweeps while turning, instead of width and depth, mm")
      ->group(group);
  command
      .add_option("--detail", o.wish.detail_um,
                  "Finest detail to resolve (smallest separation), um")
      ->group(group);
  command.add_option("--title", o.wish.title, "Name of the specimen")
      ->capture_default_str()
      ->group(group);
  command
      .add_option("--surface", o.surface, "Surface of the specimen, for advice on light and masks")
      ->check(CLI::IsMember({"unknown", "matt", "glossy", "hairy", "dark"}))
      ->capture_default_str()
      ->group(group);
  command.add_option("--backdrop", o.backdrop, "Backdrop brightness or colour, for specimen.toml")
      ->check(CLI::IsMember({"auto", "black", "white", "grey", "colour"}))
      ->capture_default_str()
      ->group(group);
}

void add_optics(CLI::App& command, PlanOptions& o) {
  const char* group = "Setups";
  command.add_option("setups", o.setups, "Setup files to compare; none: the generic presets");
  command.add_option("--preset", o.presets, "Preset to compare (repeatable), or all")->group(group);
  command.add_flag("--list-presets", o.list_presets, "List the presets and exit")->group(group);
  command.add_option("--apertures", o.settings.f_numbers, "F-numbers to try, separated by commas")
      ->delimiter(',')
      ->capture_default_str()
      ->group(group);
  command
      .add_flag("--keep-aperture", o.settings.keep_aperture,
                "Use only the f-number given in each setup")
      ->group(group);
  command
      .add_option("--orientation", o.orientation,
                  "Orientation of the frame; as-needed: rotated only where the setup's own does "
                  "not hold the "
                  "specimen")
      ->check(CLI::IsMember({"as-needed", "as-filed", "landscape", "portrait"}))
      ->capture_default_str()
      ->group(group);
  command
      .add_option("--front-diameter", o.front_diameter_mm,
                  "Diameter of the front of the lens with all that is on it, mm; for the clearance")
      ->check(CLI::PositiveNumber)
      ->group(group);
  command
      .add_option("--free-distance", o.free_distance_mm,
                  "From the front of the lens to the plane of focus, mm; for the clearance")
      ->check(CLI::PositiveNumber)
      ->group(group);
}

// An option in percent on a setting that is a fraction.
void add_percent(CLI::App& command, const std::string& name, double& fraction,
                 const std::string& text, const char* group) {
  command
      .add_option_function<double>(
          name, [&fraction](double percent) { fraction = percent / 100.0; }, text)
      ->default_str(fmt::format("{:g}", fraction * 100.0))
      ->group(group);
}

void add_capture(CLI::App& command, PlanOptions& o) {
  const char* group = "Capture";
  plan::PlanSettings& s = o.settings;
  command.add_option("--elevations", s.elevations_deg, "Ring elevations, deg, separated by commas")
      ->delimiter(',')
      ->capture_default_str()
      ->group(group);
  command
      .add_option_function<int>(
          "--stations", [&s](int count) { s.stations = count; },
          "Stations per ring; replaces --overlap")
      ->group(group);
  add_percent(command, "--overlap", s.station_overlap,
              "Overlap of the views of neighbouring stations, %", group);
  add_percent(command, "--slice-overlap", s.slice_overlap,
              "Overlap of neighbouring slices, % of the depth of field", group);
  add_percent(command, "--depth-margin", s.depth_margin,
              "Extra depth in front of and behind the specimen, %", group);
  add_percent(command, "--frame-margin", s.frame_margin, "Free margin on each side of the frame, %",
              group);
  const auto seconds = [&](const char* name, double& value, const char* text) {
    command.add_option(name, value, text)->capture_default_str()->group(group);
  };
  command
      .add_option_function<std::string>(
          "--same-range", [&s](const std::string&) { s.same_range = true; },
          "ring: one start, end and number of slices for all stations of a ring")
      ->check(CLI::IsMember({"ring"}))
      ->group(group);
  seconds("--settle", s.settle_s, "Settling time after each move of the rail, s");
  seconds("--exposure", s.exposure_s, "Exposure of a slice, s");
  seconds("--recycle", s.recycle_s, "Flash recycling, s; 0: no flash");
  seconds("--transfer", s.transfer_s, "Time until the camera is ready again, s");
  seconds("--station-time", s.station_s, "Time to turn the stage to the next station, s");
  seconds("--ring-time", s.ring_s, "Time to change to the next ring, s");
  seconds("--raw-bits", s.raw_bits, "Bits of a raw pixel");
}

}  // namespace

void add_plan(CLI::App& app) {
  auto options = std::make_shared<PlanOptions>();
  CLI::App* command = add_command(
      app, "plan", "Plan the capture: setup, aperture, focus step, stations, time and storage",
      [options](const Common&) { return run_plan(*options); }, Workers::one);
  add_wish(*command, *options);
  add_optics(*command, *options);
  add_capture(*command, *options);
  command->add_option(
      "-o,--output", options->output,
      "Workspace to write specimen.toml, the sheets and tables of the capture, plan.json "
      "and plan.svg to");
  command
      ->add_option("--start", options->start,
                   "When the capture will begin, for the times of the sheet: 2026-12-31T09:30")
      ->check(start_time_check());
  command->add_option("--motion-template", options->motion_template,
                      "Mustache template of the moves, for your controller");
  command->add_option("--motion", options->motion, "Name of the file made from that template")
      ->capture_default_str();
  command->add_option("--chart", options->chart, "Write the chart to this SVG file");
  command->add_flag("--force", options->force, "Overwrite existing files");
  command->add_flag("--all", options->all, "Show every setup in the table");
}

}  // namespace trunnion
