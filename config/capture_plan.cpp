#include "config/capture_plan.h"

#include <fmt/format.h>

#include <array>
#include <cmath>
#include <nlohmann/json.hpp>

#include "config/file_format.h"
#include "config/json_reader.h"
#include "core/angle.h"
#include "core/cautions.h"
#include "core/error.h"
#include "core/files.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

constexpr int kPlanVersion = 1;  // raised where a reader of the version before would go wrong
constexpr std::array kSurfaces{"unknown", "matt", "glossy", "hairy", "dark"};

// Figures as people read them; an ulp of difference must not show.
double rounded(double value) {
  if (value == 0.0 || !std::isfinite(value)) return 0.0;
  const double scale = std::pow(10.0, 8 - std::ceil(std::log10(std::abs(value))));
  return std::round(value * scale) / scale;
}

Json json_of(const PlanOption& o) {
  Json json;
  json["setup"] = o.setup;
  json["title"] = o.title;
  json["kind"] = o.objective ? "objective" : "photographic";
  json["magnification"] = rounded(o.magnification);
  if (!o.objective) json["f_number"] = rounded(o.f_number);
  json["working_f_number"] = rounded(o.working_f_number);
  json["numerical_aperture"] = rounded(o.numerical_aperture);
  json["field_mm"] = {rounded(o.field_width_mm), rounded(o.field_height_mm)};
  json["camera"] = o.portrait ? "portrait" : "landscape";
  json["turned"] = o.turned;
  json["pixel_um"] = rounded(o.pixel_um);
  json["depth_of_field_mm"] = rounded(o.depth_of_field_mm);
  json["blur_um"] = rounded(o.blur_um);
  json["step_mm"] = rounded(o.step_mm);
  json["diffraction_um"] = rounded(o.diffraction_um);
  json["resolution_um"] = rounded(o.resolution_um);
  json["pixels_per_element"] = rounded(o.pixels_per_element);
  if (!o.objective) json["field_angle_deg"] = rounded(degrees(o.field_angle));
  json["fits"] = o.fits;
  json["resolves"] = o.resolves;
  if (!o.reason.empty()) json["reason"] = o.reason;
  json["panels"] = o.panels;
  json["frames"] = rounded(o.frames);
  json["seconds"] = rounded(o.seconds);
  json["raw_gb"] = rounded(o.raw_gb);
  json["fused_gb"] = rounded(o.fused_gb);
  return json;
}

Json json_of(const PlannedRing& ring) {
  Json stations = Json::array();
  for (const PlannedStation& s : ring.stations) {
    stations.push_back({{"station", s.station},
                        {"stage_angle_deg", rounded(degrees(s.stage_angle))},
                        {"depth_mm", rounded(s.depth_mm)},
                        {"slices", s.slices},
                        {"first_mm", rounded(s.first_mm)}});
  }
  return {{"name", ring.name},
          {"elevation_deg", rounded(degrees(ring.elevation))},
          {"step_deg", rounded(degrees(ring.step))},
          {"turning", ring.turning == Turning::clockwise ? "clockwise" : "counter-clockwise"},
          {"stations", stations}};
}

PlanOption option_from(const JsonReader& in) {
  PlanOption o;
  o.setup = in.text("setup");
  o.title = in.text("title");
  o.objective = in.text("kind") == "objective";
  o.magnification = in.number("magnification", 1e-6, 1e4);
  if (!o.objective) o.f_number = in.number("f_number", 0.1, 1000);
  o.working_f_number = in.number("working_f_number", 1e-3, 1e6);
  o.numerical_aperture = in.number("numerical_aperture", 1e-6, 2);
  o.portrait = in.text("camera") == "portrait";
  o.turned = in.boolean("turned");
  o.pixel_um = in.number("pixel_um", 1e-6, 1e6);
  o.depth_of_field_mm = in.number("depth_of_field_mm", 0, 1e6);
  o.step_mm = in.number("step_mm", 0, 1e6);
  o.resolution_um = in.number("resolution_um", 0, 1e6);
  o.fits = in.boolean("fits");
  o.resolves = in.boolean("resolves");
  return o;
}

PlannedRing ring_from(const JsonReader& in) {
  PlannedRing ring;
  ring.name = in.text("name");
  ring.elevation = radians(in.number("elevation_deg", -90, 90));
  ring.step = radians(in.number("step_deg", 1e-6, 360));
  ring.turning =
      in.text("turning") == "clockwise" ? Turning::clockwise : Turning::counter_clockwise;
  for (const JsonReader& item : in.list("stations")) {
    PlannedStation station;
    station.station = item.integer("station", 0, 1'000'000);
    station.stage_angle = radians(item.number("stage_angle_deg", -36'000, 36'000));
    station.depth_mm = item.number("depth_mm", 0, 1e6);
    station.slices = item.integer("slices", 1, 1'000'000'000);
    station.first_mm = item.number("first_mm", -1e6, 1e6);
    ring.stations.push_back(station);
  }
  return ring;
}

}  // namespace

const char* name_of(Surface surface) {
  return kSurfaces.at(static_cast<std::size_t>(surface));
}

std::string planned_setup_name(const PlanOption& chosen) {
  std::string name = chosen.setup;
  if (!chosen.objective) name += fmt::format("-f{:g}", chosen.f_number);
  if (chosen.turned) name += chosen.portrait ? "-portrait" : "-landscape";
  return name;
}

std::string plan_to_json(const CapturePlan& plan) {
  Json json;
  json["format"] = "trunnion plan";
  json["version"] = kPlanVersion;
  json["title"] = plan.title;
  json["cautions"] = Json::array();
  json["cautions"].push_back(cautions_rule());
  for (const Caution& caution : cautions()) {
    json["cautions"].push_back(fmt::format("{}: {}", caution.subject, caution.text));
  }
  json["specimen"] = {{"height_mm", rounded(plan.height_mm)},
                      {"width_mm", rounded(plan.width_mm)},
                      {"depth_mm", rounded(plan.depth_mm)},
                      {"detail_um", rounded(plan.detail_um)},
                      {"surface", name_of(plan.surface)}};
  json["possible"] = plan.possible;
  json["planned_detail_um"] = rounded(plan.planned_detail_um);
  json["chosen"] = json_of(plan.chosen);
  json["stations"] = plan.station_count;
  json["frames"] = rounded(plan.frames);
  for (const PlannedRing& ring : plan.rings) json["rings"].push_back(json_of(ring));
  for (const PlanOption& option : plan.options) json["setups"].push_back(json_of(option));
  json["advice"] = Json::array();
  for (const Finding& finding : plan.advice) {
    json["advice"].push_back({{"severity", name_of(finding.severity)},
                              {"what", finding.what},
                              {"remedy", finding.remedy}});
  }
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

CapturePlan parse_plan(std::string_view text, const std::string& name) {
  const JsonReader in = JsonReader::parse(text, name, "write the plan again with trunnion plan");
  if (in.text("format") != "trunnion plan") in.fail("format", "must be \"trunnion plan\"");
  CapturePlan plan;
  check_format(name, in.integer("version", 1, 1'000'000), kPlanVersion);
  plan.title = in.text("title");
  const JsonReader specimen = in.object("specimen");
  plan.height_mm = specimen.number("height_mm", 0, 1e6);
  plan.width_mm = specimen.number("width_mm", 0, 1e6);
  plan.depth_mm = specimen.number("depth_mm", 0, 1e6);
  plan.detail_um = specimen.number("detail_um", 0, 1e6);
  for (std::size_t i = 0; i < kSurfaces.size(); ++i) {
    if (specimen.text("surface") == kSurfaces.at(i)) plan.surface = static_cast<Surface>(i);
  }
  plan.possible = in.boolean("possible");
  plan.planned_detail_um = in.number("planned_detail_um", 0, 1e6);
  plan.chosen = option_from(in.object("chosen"));
  for (const JsonReader& ring : in.list("rings")) {
    plan.rings.push_back(ring_from(ring));
    plan.station_count += static_cast<int>(plan.rings.back().stations.size());
  }
  plan.frames = in.number("frames", 0, 1e12);
  return plan;
}

CapturePlan read_plan(const std::filesystem::path& file) {
  return parse_plan(read_file(file), file.string());
}

}  // namespace trunnion
