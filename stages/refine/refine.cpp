#include "stages/refine/refine.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "core/angle.h"
#include "core/median.h"
#include "core/station.h"
#include "stages/refine/adjust.h"
#include "stages/refine/align.h"
#include "stages/refine/claims.h"
#include "stages/refine/match.h"
#include "stages/refine/priors.h"
#include "stages/refine/report.h"
#include "stages/refine/shared.h"
#include "stages/refine/tracks.h"
#include "stages/refine/window.h"

namespace trunnion::refine {
namespace {

constexpr std::size_t kFreeFeatures = 1200;  // a view, for matching without geometry
constexpr double kFreeRatio = 0.8;
// Of one observation, beyond the scatter; pixels of the level.
constexpr double kCommonError_px = 0.15;
// The error that all observations of neighbouring views share (shared.h), pixels of the
// level, and at least this share of their scatter.
constexpr double kSharedShift_px = 0.3;
constexpr double kSharedShare = 0.5;
constexpr int kFewestMatches = 12;  // of a pair; fewer say nothing

// Everything the steps share.
struct Work {
  const Scene& prior;
  const FeatureReader& features;
  RigModel model;
  std::vector<ViewPlaces> places;                       // a view
  std::vector<std::vector<Eigen::Vector2d>> positions;  // ideal pixels a view
  double level_px = 1;                                  // a pixel of the searched level
};

std::vector<PairMatches> match_freely(const Work& work) {
  FeatureWindow window(work.features);
  const auto wanted = pairs_to_match(work.model, zero_values(work.model),
                                     PairOptions{.max_neighbours = 2, .in_order = true});
  std::vector<PairMatches> pairs(wanted.size());
  for_each_in_turn(wanted.size(), [&](std::size_t k) {
    const auto& [a, b] = wanted[k];
    pairs[k] = {a, b, match_free(*window.of(a), *window.of(b), kFreeFeatures, kFreeRatio)};
  });
  std::erase_if(pairs, [](const PairMatches& pair) {
    return static_cast<int>(pair.matches.size()) < kFewestMatches;
  });
  return pairs;
}

std::vector<PairMatches> match_in_bands(const Work& work, const RigValues& values,
                                        const Eigen::MatrixXd& covariance, double sigma_px) {
  FeatureWindow window(work.features);
  GuidedOptions options;
  options.sigma_px = sigma_px;
  const auto wanted = pairs_to_match(work.model, values, PairOptions{});
  std::vector<PairMatches> pairs(wanted.size());
  for_each_in_turn(wanted.size(), [&](std::size_t k) {
    const auto& [a, b] = wanted[k];
    pairs[k] = {a, b,
                match_guided(work.model, values, covariance, {a, *window.of(a), work.positions[a]},
                             {b, *window.of(b), work.positions[b]}, options)};
  });
  return pairs;
}

std::string station_of(const View& view) {
  return station_text(view.ring, view.station);
}

// One fault for each stretch of stations with the same error; `contradicted`: rad a view, 0 where
// not.
void report_contradicted(const Work& work, const std::vector<double>& contradicted,
                         RefineResult& result) {
  const auto alike = [&](std::size_t a, std::size_t b) {
    return contradicted[b] != 0 && work.model.stations[a].ring == work.model.stations[b].ring &&
           std::abs(contradicted[b] - contradicted[a]) < 0.3 * std::abs(contradicted[a]);
  };
  for (std::size_t v = 0; v < contradicted.size(); ++v) {
    if (contradicted[v] == 0) continue;
    std::size_t last = v;
    while (last + 1 < contradicted.size() && alike(v, last + 1)) ++last;
    const std::string& name = work.prior.views[v].name;
    const std::string station = station_of(work.prior.views[v]);
    const double away = degrees(contradicted[v]);
    result.fault = last == v ? AcquisitionFault::wrong_angle : AcquisitionFault::slipped_stage;
    result.fault_view = v;
    const std::string what =
        last == v
            ? fmt::format("{} was shot {:+.2f} degrees away from its stage angle.", station, away)
            : fmt::format(
                  "From {} to {} the stage stands {:+.2f} degrees from the angles given: "
                  "it has slipped.",
                  station, station_of(work.prior.views[last]), away);
    result.findings.push_back({Severity::fault, "refine", name, what,
                               "Give true angles in a capture table or shoot again; until then "
                               "these poses count as contradicted."});
    v = last;
  }
}

// Where images contradict a given angle, theirs takes its place: the prior would pull the stations
// after a slip back one by one, the more so the less the points weigh. What was given stays in the
// report. `shared`: rad, the error that the images may share.
void replace_contradicted_angles(Work& work, RigValues& values, double shared, Claims& claims,
                                 RefineResult& result) {
  constexpr double kContradicted = 5.0;   // sigmas
  constexpr double kWide = radians(1.0);  // what no stage is out by
  std::vector<double> contradicted(work.model.stations.size(), 0.0);
  for (std::size_t v = 0; v < work.model.stations.size(); ++v) {
    StationModel& station = work.model.stations[v];
    const double away = values.angle[v];
    if (std::abs(away) < kContradicted * std::hypot(station.sigma_angle, shared)) continue;
    station.stage_angle += away;
    station.sigma_angle = std::max(station.sigma_angle, kWide);
    values.angle[v] = 0.0;
    if (claims.ignorance[v] > 0 || std::abs(away) < kWide) continue;  // named already, or corrected
    claims.ignorance[v] = std::abs(away);
    contradicted[v] = away;
  }
  report_contradicted(work, contradicted, result);
}

// Views that show as much detail as others and yet nothing that their neighbours show.
void find_unmatched(const Work& work, const std::vector<Track>& tracks, Claims& claims,
                    RefineResult& result) {
  constexpr double kUsual = 40.0;  // tie points of a view, for claims of this kind
  std::vector<double> points(work.places.size(), 0.0);
  std::vector<double> features;
  for (const Track& track : tracks) {
    for (const TrackView& seen : track.views) points[seen.view] += 1.0;
  }
  for (const ViewPlaces& places : work.places)
    features.push_back(static_cast<double>(places.size()));
  const double usual = median_of(points);
  const double usual_features = median_of(features);
  if (usual < kUsual) return;
  for (std::size_t v = 0; v < points.size(); ++v) {
    const bool stranger = points[v] < 0.1 * usual && features[v] > 0.5 * usual_features;
    if (!stranger || claims.ignorance[v] > 0) continue;
    claims.ignorance[v] = kAnyPlace;
    claims.placeless[v] = true;
    result.fault = AcquisitionFault::unmatched;
    result.fault_view = v;
    const std::string& name = work.prior.views[v].name;
    result.findings.push_back(
        {Severity::fault, "refine", name,
         fmt::format("{} shows nothing that its neighbours show, though it has as much detail; "
                     "it may be an image of another specimen.",
                     station_of(work.prior.views[v])),
         "Put the right image in its place, or shoot the station again."});
  }
}

struct Adjusted {
  RigValues values;
  std::vector<Track> tracks;
  std::vector<PairMatches> pairs;
  AdjustResult result;
  double shared_px = 0;  // of SharedErrors
};

// From the free matches and the start to adjusted tie points.
Adjusted adjust_set(Work& work, const std::vector<PairMatches>& free_pairs, Claims& claims,
                    RefineResult& result) {
  Adjusted a;
  a.values = claims.start.values;
  AdjustOptions options;
  options.free = claims.free;
  // Points from the free matches give a covariance, which gives the bands.
  a.tracks = triangulate(build_tracks(free_pairs, work.positions), work.model, a.values,
                         {.max_residual_px = 6.0 * work.level_px});
  options.sigma_px = 0.5 * work.level_px;
  options.rounds = 2;
  a.result = adjust(work.model, a.values, a.tracks, options);
  const double common_px = kCommonError_px * work.level_px;
  const AdjustCovariance covariance = adjust_covariance(
      work.model, a.values, a.tracks, std::hypot(a.result.sigma_px, common_px), options.free);
  a.pairs = match_in_bands(work, a.values, covariance.rig,
                           std::max(0.5 * work.level_px, a.result.sigma_px));
  const TriangulateOptions close{.max_residual_px = 4.0 * work.level_px};
  a.tracks = triangulate(build_tracks(a.pairs, work.positions), work.model, a.values, close);
  a.tracks = triangulate(align_tracks(std::move(a.tracks), work.features, work.prior.camera),
                         work.model, a.values, close);
  options.sigma_px = a.result.sigma_px;
  options.rounds = 3;
  a.result = adjust(work.model, a.values, a.tracks, options);
  const double radius_px = specimen_radius_px(work.model, a.values, a.tracks);
  a.shared_px = std::max(kSharedShift_px * work.level_px, kSharedShare * a.result.sigma_px);
  replace_contradicted_angles(work, a.values, a.shared_px / radius_px, claims, result);
  options.sigma_px = a.result.sigma_px;
  options.common_px = common_px;
  options.rounds = 1;
  const int iterations = a.result.iterations;
  a.result = adjust(work.model, a.values, a.tracks, options);
  a.result.iterations += iterations;
  return a;
}

// rad a view, as the adjustment found them. A ring whose step is wrong keeps the angle of its first
// station, which no image shows.
std::vector<double> found_angles(const Work& work, const RigValues& values, const Claims& claims,
                                 const std::vector<double>& given) {
  std::vector<double> found;
  std::map<std::size_t, double> offset;  // a ring
  for (std::size_t v = 0; v < given.size(); ++v) {
    found.push_back(work.model.stations[v].stage_angle + values.angle[v]);
    if (!claims.whole_ring) continue;
    const auto [entry, added] =
        offset.try_emplace(work.model.stations[v].ring, found.back() - given[v]);
    found.back() -= entry->second;
  }
  return found;
}

std::vector<ProposedCapture> proposal_of(const Work& work, const Claims& claims,
                                         const std::vector<double>& given,
                                         const std::vector<double>& found) {
  const auto contradicted = [&](std::size_t v) { return claims.ignorance[v] > 0; };
  std::vector<ProposedCapture> proposal;
  bool any = false;
  for (std::size_t v = 0; v < work.prior.views.size(); ++v) {
    any = any || contradicted(v);
    if (claims.placeless[v]) continue;
    const View& place = work.prior.views[claims.stands_for[v].value_or(v)];
    double angle = place.stage_angle;
    if (contradicted(v) && !claims.stands_for[v]) angle += found[v] - given[v];
    proposal.push_back({v, place.ring, place.station, angle});
  }
  if (!any || claims.rig_denied) proposal.clear();
  return proposal;
}

// Wrong steps that nothing recognises may fit another rig as well as the true ones fit the one
// given (a narrow field of view shows the axis by the turning alone). Then only the prior of a
// nominal rig tells which: where it is left, no pose is known, and what was said of single stations
// followed from the wrong rig.
// `as_found`: as if the rig were right. Few and poor matches deny nothing.
void deny_rig(const RefineResult& as_found, Claims& claims, RefineResult& result) {
  const auto determined =
      std::count_if(as_found.stations.begin(), as_found.stations.end(),
                    [](const StationReport& station) { return station.reason.empty(); });
  if (2 * determined <= static_cast<std::ptrdiff_t>(as_found.stations.size())) {
    claims.rig_open = true;
    return;
  }
  std::fill(claims.ignorance.begin(), claims.ignorance.end(), kAnyPlace);
  claims.rig_denied = true;
  if (claims.whole_ring) return;
  result.findings.clear();
  result.fault = AcquisitionFault::none;
}

// The adjusted rig weighed against its priors, and what the views are worth by that.
void conclude(const Work& work, Adjusted& a, Claims& claims, const std::vector<double>& given,
              RefineResult& result) {
  const double sigma_px = std::hypot(a.result.sigma_px, kCommonError_px * work.level_px);
  const AdjustCovariance covariance =
      adjust_covariance(work.model, a.values, a.tracks, sigma_px, claims.free);
  const double distance_mm =
      work.model.telecentric() ? 1.0 : pose_of(work.model, a.values, 0).t.norm();
  const SharedErrors shared{a.shared_px, specimen_radius_px(work.model, a.values, a.tracks),
                            distance_mm / work.model.camera.fx, !work.prior.axis_calibrated};
  const WeighedRig weighed =
      weigh_against_priors(work.model, a.values, covariance.images, shared, claims.free);
  a.tracks = triangulate(std::move(a.tracks), work.model, weighed.values,
                         {.max_residual_px = 6.0 * std::max(work.level_px, a.result.sigma_px)});
  find_unmatched(work, a.tracks, claims, result);
  const auto points =
      point_covariances(work.model, weighed.values, a.tracks, sigma_px, weighed.covariance);
  const Outcome outcome{work.model,       weighed.values,
                        a.tracks,         a.pairs,
                        a.result,         weighed.covariance,
                        points,           weighed.image_sigma,
                        claims.ignorance, work.prior.axis_calibrated,
                        work.places};
  if (!work.prior.axis_calibrated && any_axis_far(work.model, weighed.values)) {
    RefineResult as_found = result;
    fill_result(as_found, outcome);
    deny_rig(as_found, claims, result);
  }
  fill_result(result, outcome);
  const std::vector<double> found = found_angles(work, weighed.values, claims, given);
  const Findings steps = step_findings(claims, result.rings, given, found);
  result.findings.insert(result.findings.begin(), steps.begin(), steps.end());
  result.proposal = proposal_of(work, claims, given, found);
}

// Few and poor matches don't overrule what is given: where the images confirm fewer than half of
// the views, the set stays as the turntable has it.
RefineResult kept_as_given(RefineResult refined, RefineResult unrefined) {
  const bool calibrated = unrefined.scene.axis_calibrated;
  const auto confirmed =
      std::count_if(refined.scene.views.begin(), refined.scene.views.end(),
                    [](const View& view) { return view.state == PoseState::confirmed; });
  unrefined.sentence = fmt::format(
      "The images show too little reliable detail to confirm the poses ({} of {}, {} tie points, "
      "{} in three views or more); the poses stay those of the {} turntable.",
      confirmed, refined.scene.views.size(), refined.points, refined.points_in_three_views,
      calibrated ? "calibrated" : "nominal");
  unrefined.findings.push_back(
      {calibrated ? Severity::note : Severity::doubt, "refine", "", unrefined.sentence,
       calibrated
           ? "Nothing to do where the stage can be trusted; wrong files would not be noticed "
             "here, so check order and angles of the images."
           : "Calibrate the axis with a board (trunnion calibrate axis)."});
  unrefined.stations = std::move(refined.stations);
  return unrefined;
}

}  // namespace
const char* name_of(PoseVerdict verdict) {
  switch (verdict) {
    case PoseVerdict::confirmed:
      return "confirmed";
    case PoseVerdict::partly_confirmed:
      return "partly confirmed";
    case PoseVerdict::not_confirmed:
      return "not confirmed";
    case PoseVerdict::not_refined:
      return "not refined";
  }
  return "not refined";
}

RefineResult refine(const Scene& prior, const std::vector<RingAxis>& rings,
                    const FeatureReader& features, const RefineSettings& settings) {
  const bool free_distance =
      settings.principal_distance == FreePrincipalDistance::yes ||
      (settings.principal_distance == FreePrincipalDistance::automatic && !prior.lens_calibrated);
  Work work{prior, features, make_model(prior, rings, free_distance), {}, {}, 1.0};
  const std::size_t views = prior.views.size();
  work.places.resize(views);
  work.positions.resize(views);
  std::vector<double> level_px(views);
  for_each_in_turn(views, [&](std::size_t v) {
    const ImageFeatures view = features(v);
    work.places[v] = places_of(view);
    work.positions[v] = ideal_positions(view, prior.camera);
    level_px[v] = view.level_scale;
  });
  for (const double px : level_px) work.level_px = std::max(work.level_px, px);
  const RefineResult unchanged = unrefined(prior, rings, work.places);
  RefineResult result = unchanged;

  std::vector<PairMatches> free_pairs = match_freely(work);
  std::size_t free_matches = 0;
  for (const PairMatches& pair : free_pairs) free_matches += pair.matches.size();
  if (free_matches < 10 * prior.views.size()) {
    result.sentence = fmt::format(
        "Too little texture: {} matches over {} views; the poses stay those of the turntable.",
        free_matches, prior.views.size());
    result.findings.push_back(
        {Severity::doubt, "refine", "", result.sentence,
         "Nothing to do where the axis is calibrated; else calibrate it with a board."});
    return result;
  }
  std::vector<double> given;
  for (const StationModel& station : work.model.stations) given.push_back(station.stage_angle);
  Claims claims = examine_claims(
      work.model, {prior, rings, features, work.positions, work.level_px}, free_pairs);
  work.model = claims.model;
  result.findings = claims.findings;
  result.fault = claims.fault;
  result.fault_view = claims.fault_view;
  Adjusted adjusted = adjust_set(work, free_pairs, claims, result);
  conclude(work, adjusted, claims, given, result);
  const bool contradicted = std::any_of(claims.ignorance.begin(), claims.ignorance.end(),
                                        [](double sigma) { return sigma > 0; });
  if (claims.rig_open || (!contradicted && result.verdict == PoseVerdict::not_confirmed)) {
    return kept_as_given(std::move(result), unchanged);
  }
  return result;
}

}  // namespace trunnion::refine
