#include "stages/refine/claims.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <set>

#include "core/angle.h"
#include "core/station.h"
#include "stages/refine/window.h"

namespace trunnion::refine {
namespace {

constexpr std::size_t kStartMatches = 150;  // of a pair; more don't make a start surer, but slower
constexpr double kFewSteady = 0.5;          // share of a ring's points below which it says nothing
constexpr double kBumpSteady = 0.8;  // once a bump is taken out; the truth reaches 0.95 and more
constexpr int kFewPoints = 40;
constexpr double kDoubtfulAxis = 3.0;  // sigmas; one true axis of ten lies further away

class Examination {
 public:
  Examination(const RigModel& model, const ClaimInput& input, std::vector<PairMatches>& pairs)
      : given_(model), input_(input), pairs_(pairs) {
    claims_.model = model;
    claims_.ignorance.assign(model.stations.size(), 0.0);
    claims_.stands_for.resize(model.stations.size());
    claims_.placeless.assign(model.stations.size(), false);
    options_.sigma_px = input.level_px;
  }

  Claims run() {
    few_ = thinned(pairs_, kStartMatches);
    start();
    examine_exchanged_rings();
    examine_rings();
    if (steady()) {
      examine_specimens();
      examine_jumps();
      examine_places();
    }
    if (!claims_.whole_ring) examine_bump();
    return std::move(claims_);
  }

 private:
  // What the images show takes the place of what was given, with a sigma that lets them.
  void start() {
    constexpr double kOpen = 0.0087;  // rad, half a degree
    for (std::size_t v = 0; v < claims_.ignorance.size(); ++v) {
      double& sigma = claims_.model.stations[v].sigma_angle;
      if (claims_.ignorance[v] > 0) sigma = std::max(sigma, kOpen);
    }
    claims_.start = start_from_matches(claims_.model, zero_values(claims_.model), few_,
                                       input_.positions, options_);
  }
  [[nodiscard]] CaptureInput capture() const {
    return {claims_.model,    claims_.start.values, input_.features,
            input_.positions, input_.level_px,      input_.prior.axis_calibrated};
  }
  [[nodiscard]] double tolerance_px() const {
    return (input_.prior.axis_calibrated ? 1.0 : 2.0) * input_.level_px;
  }
  [[nodiscard]] const std::string& name(std::size_t view) const {
    return input_.prior.views[view].name;
  }
  [[nodiscard]] std::string station(std::size_t view) const {
    return station_text(input_.prior.views[view].ring, input_.prior.views[view].station);
  }
  void fault(const std::string& file, std::string what, std::string remedy) {
    claims_.findings.push_back(
        {Severity::fault, "refine", file, std::move(what), std::move(remedy)});
  }
  [[nodiscard]] double given_step(std::size_t ring) const {
    std::vector<double> angles;
    for (const StationModel& station : given_.stations) angles.push_back(station.stage_angle);
    return step_of(given_, ring, angles);
  }

  [[nodiscard]] RigValues start_of(const RigModel& model) const {
    return start_from_matches(model, zero_values(model), few_, input_.positions, options_).values;
  }

  // Whether the matches fit the rings well enough to contradict a single station's angle: light
  // that slides over a smooth specimen makes matches, too.
  [[nodiscard]] bool steady(double least = kFewSteady) const {
    Support all;
    for (std::size_t ring = 0; ring < claims_.model.rings.size(); ++ring) {
      const Support support = support_of(claims_.model, claims_.start.values, ring, pairs_,
                                         input_.positions, tolerance_px());
      all.points += support.points;
      all.possible += support.possible;
    }
    return all.points >= kFewPoints && all.share() >= least;
  }

  // The rigs that are tried while a ring's factor is sought: as calibrated, as the start found
  // it, and without calibration also those that other factors lead to.
  [[nodiscard]] std::vector<RigValues> accounts() const {
    std::vector<RigValues> list{zero_values(claims_.model), claims_.start.values};
    if (input_.prior.axis_calibrated) return list;
    bool doubtful = false;
    for (std::size_t ring = 0; ring < claims_.model.rings.size(); ++ring) {
      doubtful = doubtful ||
                 support_of(claims_.model, claims_.start.values, ring, pairs_, input_.positions,
                            tolerance_px())
                         .share() < 0.85 ||
                 axis_distance(claims_.model, claims_.start.values, ring) > kDoubtfulAxis;
    }
    if (!doubtful) return list;
    for (const double factor : {-1.0, 0.5, 2.0}) {
      RigModel other = claims_.model;
      for (std::size_t r = 0; r < other.rings.size(); ++r) other = with_factor(other, r, factor);
      list.push_back(start_of(other));
    }
    // Turning the other way fits as well with the camera below the stage.
    std::erase_if(list, [this](const auto& each) { return any_axis_far(claims_.model, each); });
    return list;
  }

  void examine_exchanged_rings() {
    const auto tried = [this](const RigModel& model, const RigValues& found) {
      std::vector<RigValues> list{zero_values(model)};
      if (!any_axis_far(claims_.model, found)) list.push_back(found);
      return list;
    };
    const auto found_with = [&](const RigModel& model) { return tried(model, start_of(model)); };
    const auto exchange = find_exchanged_rings(
        capture(), pairs_, tried(claims_.model, claims_.start.values), found_with);
    if (!exchange) return;
    std::vector<std::size_t> first;
    std::vector<std::size_t> second;
    for (std::size_t v = 0; v < given_.stations.size(); ++v) {
      if (given_.stations[v].ring == exchange->first) first.push_back(v);
      if (given_.stations[v].ring == exchange->second) second.push_back(v);
    }
    for (std::size_t k = 0; k < first.size(); ++k) {
      claims_.ignorance[first[k]] = claims_.ignorance[second[k]] = kAnyPlace;
      claims_.stands_for[first[k]] = second[k];
      claims_.stands_for[second[k]] = first[k];
    }
    claims_.model = exchange->model;
    claims_.fault = AcquisitionFault::exchanged_rings;
    claims_.fault_view = std::min(first[0], second[0]);
    fault("",
          fmt::format("The rings \"{}\" and \"{}\" are exchanged: the images of each were taken "
                      "at the other.",
                      input_.rings[exchange->first].ring, input_.rings[exchange->second].ring),
          "Exchange the names of the two rings, or their lines in the capture table, and run "
          "prepare again; until then these poses count as contradicted.");
    start();
  }

  // Half the images of another specimen fit the rig as well as the rest.
  void examine_specimens() {
    const std::vector<std::size_t> others = find_other_specimen(capture(), pairs_);
    if (others.empty()) return;
    std::string list;
    for (std::size_t k = 0; k < others.size();) {
      std::size_t last = k;
      while (last + 1 < others.size() && others[last + 1] == others[last] + 1 &&
             given_.stations[others[last + 1]].ring == given_.stations[others[k]].ring) {
        ++last;
      }
      list += list.empty() ? "" : ", ";
      list += station(others[k]) + (last > k ? " to " + station(others[last]) : "");
      k = last + 1;
    }
    for (const std::size_t view : others) {
      claims_.ignorance[view] = kAnyPlace;
      claims_.placeless[view] = true;
    }
    claims_.fault = AcquisitionFault::mixed_specimens;
    claims_.fault_view = others.front();
    fault(name(others.front()),
          fmt::format("Two specimens are mixed: the images of {} match one another, but none of "
                      "the other images beside them.",
                      list),
          "Put the images of one specimen in place, or prepare each specimen in a workspace of its "
          "own.");
  }

  void examine_rings() {
    const std::vector<RigValues> list = accounts();
    const std::vector<double> factors = step_factors(
        capture(), list, pairs_, [this](const RigModel& model) { return start_of(model); });
    const bool alike =
        std::all_of(factors.begin(), factors.end(), [&](double f) { return f == factors.front(); });
    for (std::size_t ring = 0; ring < factors.size(); ++ring) {
      if (factors[ring] == 1.0) continue;
      claims_.model = with_factor(claims_.model, ring, factors[ring]);
      for (std::size_t v = 0; v < claims_.ignorance.size(); ++v) {
        if (given_.stations[v].ring == ring) claims_.ignorance[v] = kAnyPlace;
      }
      if (!alike || ring == 0) {
        claims_.factors.emplace_back(alike ? std::nullopt : std::optional(ring), factors[ring]);
      }
      claims_.whole_ring = true;
    }
    if (!claims_.whole_ring) return;
    const auto& [ring, factor] = claims_.factors.back();
    claims_.fault = rounds_of(given_, ring.value_or(0), factor) > 1
                        ? AcquisitionFault::several_rounds
                    : factor < 0 ? AcquisitionFault::reversed_turning
                                 : AcquisitionFault::wrong_step;
    start();
  }

  // Whether a ring as a whole stands further from the first than its prior allows. A skipped
  // station turns most of its ring against the other ones, and the solution follows the majority.
  [[nodiscard]] bool rings_apart() const {
    for (std::size_t r = 1; r < claims_.model.rings.size(); ++r) {
      const double limit =
          std::max(radians(1.0), 6.0 * claims_.model.rings[r].sigma_azimuth_offset);
      if (std::abs(claims_.start.values.azimuth_offset[r]) > limit) return true;
    }
    return false;
  }

  void examine_jumps() {
    const std::vector<Jump> jumps = find_jumps(capture(), pairs_, rings_apart());
    for (const Jump& jump : jumps) take_jump(jump);
    if (!jumps.empty()) start();
  }

  void take_jump(const Jump& jump) {
    const std::size_t ring = given_.stations[jump.view].ring;
    for (std::size_t v = jump.view; v < claims_.model.stations.size(); ++v) {
      if (given_.stations[v].ring != ring) continue;
      claims_.model.stations[v].stage_angle += jump.correction;
      claims_.ignorance[v] = std::max(claims_.ignorance[v], std::abs(jump.correction));
    }
    report_jump(jump, given_step(ring));
  }

  void report_jump(const Jump& jump, double step) {
    const double stations = step != 0 ? jump.correction / step : 0.0;
    const double whole = std::round(stations);
    const bool skipped = whole != 0 && std::abs(stations - whole) < 0.15;
    claims_.fault = skipped ? AcquisitionFault::skipped_station : AcquisitionFault::slipped_stage;
    claims_.fault_view = jump.view;
    std::string what = fmt::format(
        "From {} on, the stage stands {:+.2f} degrees from the angles given ({} points agree): ",
        station(jump.view), degrees(jump.correction), jump.points);
    if (!skipped) {
      what += "it has slipped.";
    } else if (whole > 0) {
      what +=
          fmt::format("{} skipped before it.",
                      whole == 1 ? "one station was" : fmt::format("{:.0f} stations were", whole));
    } else {
      what += "the specimen was shot again without being turned.";
    }
    fault(name(jump.view), what,
          "Give the true angles in a capture table or shoot the ring again; until then the poses "
          "from there on count as contradicted.");
  }

  void examine_places() {
    const std::size_t pairs_before = pairs_.size();
    std::vector<Place> places = find_places(capture(), pairs_);
    const auto jump = take_common_jump(claims_.model, places);
    if (jump) take_jump(*jump);
    std::set<std::size_t> reported;
    FeatureWindow window(input_.features);
    for (const Place& place : places) {
      StationModel& station = claims_.model.stations[place.view];
      const double correction = std::remainder(place.angle - station.stage_angle, 2.0 * kPi);
      claims_.ignorance[place.view] =
          place.ring == station.ring ? std::max(std::abs(correction), radians(1.0)) : kAnyPlace;
      claims_.stands_for[place.view] = station_at(place);
      if (!reported.contains(place.view)) report_place(place, places, reported, window);
    }
    for (const Place& place : places) {
      StationModel& station = claims_.model.stations[place.view];
      station.ring = place.ring;
      station.axis = claims_.model.rings[place.ring].axis;
      station.stage_angle = place.angle;
    }
    if (pairs_.size() != pairs_before) few_ = thinned(pairs_, kStartMatches);
    if (jump || !places.empty()) start();
  }

  // The station whose given place it is, where there is one.
  [[nodiscard]] std::optional<std::size_t> station_at(const Place& place) const {
    const double step = std::abs(given_step(place.ring));
    std::optional<std::size_t> nearest;
    double least = std::min(0.25 * step, radians(1.5));
    for (std::size_t v = 0; v < given_.stations.size(); ++v) {
      if (given_.stations[v].ring != place.ring || v == place.view) continue;
      const double apart =
          std::abs(std::remainder(claims_.model.stations[v].stage_angle - place.angle, 2.0 * kPi));
      if (apart >= least) continue;
      least = apart;
      nearest = v;
    }
    return nearest;
  }

  void report_place(const Place& place, const std::vector<Place>& places,
                    std::set<std::size_t>& reported, FeatureWindow& window) {
    reported.insert(place.view);
    claims_.fault_view = place.view;
    const std::string own = station(place.view);
    const std::string& file = name(place.view);
    const auto other = station_at(place);
    if (!other) {
      const double correction =
          std::remainder(place.angle - given_.stations[place.view].stage_angle, 2.0 * kPi);
      claims_.fault = AcquisitionFault::wrong_angle;
      fault(file,
            fmt::format("{} was shot {:+.2f} degrees away from its stage angle ({} points agree).",
                        own, degrees(correction), place.points),
            "Give its true angle in a capture table or shoot it again; until then its pose counts "
            "as contradicted.");
      return;
    }
    const std::string there = station(*other);
    const auto back = std::find_if(places.begin(), places.end(),
                                   [&](const Place& p) { return p.view == *other; });
    if (back != places.end() && station_at(*back) == place.view) {
      reported.insert(*other);
      claims_.fault = AcquisitionFault::exchanged;
      claims_.fault_view = std::min(place.view, *other);
      const auto [first, second] = std::minmax(place.view, *other);
      fault(name(first),
            fmt::format("{} and {} are exchanged: the image of each was taken at the other.",
                        station(first), station(second)),
            "Exchange the two files, or their lines in the capture table, and run prepare again.");
      return;
    }
    if (same_image(*window.of(place.view), *window.of(*other))) {
      claims_.fault = AcquisitionFault::copied;
      claims_.ignorance[place.view] = kAnyPlace;
      claims_.placeless[place.view] = true;
      fault(file, fmt::format("{} is a copy of {}: both stations have the same image.", own, there),
            "Put the right image in its place, or shoot the station again.");
      return;
    }
    claims_.fault = AcquisitionFault::elsewhere;
    fault(
        file, fmt::format("The image of {} was taken at {}.", own, there),
        "Put the right image in its place, correct the capture table or shoot the station again.");
  }

  void examine_bump() {
    if (claims_.fault == AcquisitionFault::mixed_specimens) return;
    const auto bump =
        find_bump(claims_.model, claims_.start, few_, input_.positions, options_.sigma_px);
    if (!bump) return;
    const Claims before = claims_;
    claims_.model = bump->model;
    claims_.start.values = bump->values;
    if (!steady(kBumpSteady)) {  // six parameters more make a rig that is wrong a little less wrong
      claims_ = before;
      return;
    }
    claims_.free.mount = true;
    claims_.fault = AcquisitionFault::bumped_specimen;
    claims_.fault_view = bump->view;
    claims_.findings.push_back(
        {Severity::doubt, "refine", name(bump->view),
         fmt::format("The specimen was moved before {}: all stations from there on are shifted "
                     "relative to those before.",
                     station(bump->view)),
         "Shoot the ring again, or keep the refined poses, which follow the specimen; those of the "
         "turntable don't."});
  }

  const RigModel& given_;
  const ClaimInput& input_;
  std::vector<PairMatches>& pairs_;
  std::vector<PairMatches> few_;
  StartOptions options_;
  Claims claims_;
};

}  // namespace

Claims examine_claims(const RigModel& model, const ClaimInput& input,
                      std::vector<PairMatches>& pairs) {
  return Examination(model, input, pairs).run();
}

}  // namespace trunnion::refine
