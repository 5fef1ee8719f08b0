// Sheets and programs by template.
#include "stages/shot_list/shot_list.h"

#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "core/angle.h"
#include "core/date.h"
#include "core/text.h"
#include "core/text_template.h"
#include "stages/shot_list/moves.h"

namespace trunnion::shot_list {
namespace {

using nlohmann::json;

json caution_list() {
  json list = json::array();
  const auto add = [&list](std::string_view subject, std::string_view text) {
    json entry;
    entry["subject"] = subject.empty() ? json(false) : json(std::string(subject));
    entry["text"] = std::string(text);
    list.push_back(entry);
  };
  add("", cautions_rule());
  for (const Caution& caution : cautions()) add(caution.subject, caution.text);
  return list;
}

json set_fields(const CapturePlan& plan, const CaptureTimes& times) {
  const PlanOption& c = plan.chosen;
  json fields = json::object();
  fields["title"] = plan.title;
  fields["setup"] = c.setup;
  fields["magnification"] = fmt::format("{:.3g}", c.magnification);
  fields["aperture"] = c.objective ? fmt::format("NA {:.2g}", c.numerical_aperture)
                                   : fmt::format("f/{:g}", c.f_number);
  fields["format"] = c.portrait ? "portrait" : "landscape";
  fields["step_mm"] = fmt::format("{:.5f}", c.step_mm);
  fields["frames"] = fmt::format("{:.0f}", plan.frames);
  fields["stations"] = fmt::format("{}", plan.station_count);
  fields["settle_s"] = number_text(times.settle_s);
  fields["exposure_s"] = number_text(times.exposure_s);
  fields["ready_s"] = number_text(times.ready_s);
  fields["station_s"] = number_text(times.station_s);
  fields["cautions"] = caution_list();
  return fields;
}

json station_fields(const PlannedRing& ring, const PlannedStation& station, double step_mm) {
  json entry;
  entry["station"] = fmt::format("{}", station.station);
  entry["stage_angle_deg"] = fmt::format("{:.4f}", degrees(station.stage_angle));
  entry["slices"] = fmt::format("{}", station.slices);
  entry["first_mm"] = fmt::format("{:.4f}", position_mm(station, 0, step_mm));
  entry["last_mm"] = fmt::format("{:.4f}", position_mm(station, station.slices - 1, step_mm));
  entry["file"] = fused_file(ring, station);
  return entry;
}

// 0:05 or 12:30 since the begin, or the time of the clock with the date where the day changes.
std::string time_text(double seconds, const std::optional<std::time_t>& start) {
  const auto minutes = static_cast<std::int64_t>(std::llround(seconds / 60.0));
  if (!start) return fmt::format("{}:{:02}", minutes / 60, minutes % 60);
  const std::string iso = iso_date(*start + static_cast<std::time_t>(minutes * 60));
  const bool same_day = iso.substr(0, 10) == iso_date(*start).substr(0, 10);
  return same_day ? iso.substr(11, 5) : iso.substr(0, 10) + " " + iso.substr(11, 5);
}

}  // namespace

std::string motion_program(const CapturePlan& plan, const CaptureTimes& times,
                           const std::filesystem::path& template_file) {
  json fields = set_fields(plan, times);
  json rings = json::array();
  for (const PlannedRing& ring : plan.rings) {
    json stations = json::array();
    for (const PlannedStation& station : ring.stations) {
      json entry = station_fields(ring, station, plan.chosen.step_mm);
      json slices = json::array();
      for (int slice = 0; slice < station.slices; ++slice) {
        json move;
        move["slice"] = fmt::format("{}", slice + 1);
        move["rail_mm"] = fmt::format("{:.5f}", position_mm(station, slice, plan.chosen.step_mm));
        slices.push_back(move);
      }
      entry["slices_of"] = slices;
      stations.push_back(entry);
    }
    json entry;
    entry["ring"] = ring.name;
    entry["elevation_deg"] = fmt::format("{:.3f}", degrees(ring.elevation));
    entry["stations"] = stations;
    rings.push_back(entry);
  }
  fields["rings"] = rings;
  return fill_template(template_file, fields, comment_text);
}

std::string rig_sheet_html(const CapturePlan& plan, const CaptureTimes& times,
                           const std::optional<std::time_t>& start,
                           const std::filesystem::path& template_file) {
  const std::vector<StationTime> clock = station_times(plan.rings, times);
  json fields = set_fields(plan, times);
  json rings = json::array();
  std::size_t at = 0;
  for (const PlannedRing& ring : plan.rings) {
    json stations = json::array();
    for (const PlannedStation& station : ring.stations) {
      json entry = station_fields(ring, station, plan.chosen.step_mm);
      entry["begins"] = time_text(clock[at++].begin_s, start);
      stations.push_back(entry);
    }
    json entry;
    entry["ring"] = ring.name;
    entry["elevation_deg"] = fmt::format("{:.3g}", degrees(ring.elevation));
    entry["step_deg"] = fmt::format("{:.4g}", degrees(ring.step));
    entry["turning"] =
        std::string(ring.turning == Turning::clockwise ? "clockwise" : "counter-clockwise");
    entry["station_list"] = stations;
    rings.push_back(entry);
  }
  fields["rings"] = rings;
  fields["column"] = std::string(start ? "begins at" : "begins after");
  fields["begin"] = start ? time_text(0, start) : std::string("0:00");
  fields["end"] = time_text(clock.empty() ? 0 : clock.back().end_s, start);
  fields["counted"] = std::string(start ? "" : "hours and minutes from the begin");
  return fill_template(template_file, fields, [](const std::string& t) { return markup_text(t); });
}

}  // namespace trunnion::shot_list
