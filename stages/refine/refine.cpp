#include "stages/refine/refine.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/angle.h"
#include "stages/refine/adjust.h"
#include "stages/refine/align.h"
#include "stages/refine/faults.h"
#include "stages/refine/match.h"
#include "stages/refine/report.h"
#include "stages/refine/start.h"
#include "stages/refine/tracks.h"
#include "stages/refine/window.h"

namespace trunnion::refine {
namespace {

constexpr std::size_t kFreeFeatures = 1200;  // a view, for matching without geometry
constexpr double kFreeRatio = 0.8;
// Error that neighbouring points and views share, pixels of the pyramid level. No published source:
// chosen on one seed of the demo, where of 0.1 to 0.4 px the larger values gave the smaller errors;
// with 0.4 px the stated sigma of the principal distance of the plaster ring exceeded 1 %.
constexpr double kCommonError_px = 0.35;
// The direction of turning is reversed only where that lowers the cost (sum of robust squared
// residuals, in sigma^2) by more than a fixed evidence plus a share of the cost itself, so that a
// small model error of a large set does not count as evidence. Set by hand together with the
// simulated sets of tests/stages/refine/simulated_test.cpp; no published source.
constexpr double kReversalEvidence = 15.0;
constexpr double kReversalShare = 0.02;
constexpr int kFewestMatches = 12;          // of a pair; fewer say nothing
constexpr std::size_t kStartMatches = 150;  // of a pair; more don't make a start surer, but slower

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
  const auto wanted =
      pairs_to_match(work.model, zero_values(work.model), PairOptions{.max_neighbours = 2});
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
                match_guided(work.model, values, covariance, a, b, *window.of(a), *window.of(b),
                             work.positions[a], work.positions[b], options)};
  });
  return pairs;
}

// What went wrong while shooting, named, and taken into the model so that the poses come out right.
// `few`: of the matches, for fits of the whole set.
void find_faults(Work& work, const std::vector<PairMatches>& pairs,
                 const std::vector<PairMatches>& few, const StartOptions& options,
                 StartResult& start, FreeParameters& free, RefineResult& result) {
  const auto report = [&](const std::string& file, const std::string& what, const char* remedy) {
    result.findings.push_back({Severity::doubt, "refine", file, what, remedy});
  };
  const RigModel backwards = turned_backwards(work.model);
  const StartResult other =
      start_from_matches(backwards, zero_values(backwards), few, work.positions, options);
  if (start.cost - other.cost > kReversalEvidence + kReversalShare * other.cost) {
    work.model = backwards;
    start = other;
    report(
        "", "The images show the specimen turning in the opposite direction to the one given.",
        "Change `turning` of the rings in specimen.toml; the refined poses already turn the right "
        "way, the priors don't.");
    result.fault = DropOut::reversed_turning;
  }
  if (const auto bump = find_bump(work.model, start, few, work.positions, options.sigma_px)) {
    work.model = bump->model;
    start.values = bump->values;
    free.mount = true;
    const std::string& name = work.prior.views[bump->view].name;
    report(name,
           fmt::format("The specimen was moved before \"{}\": all stations from there on are "
                       "shifted against those before.",
                       name),
           "Shoot the ring again; the refined poses follow the specimen, the priors don't.");
    result.fault = DropOut::bumped_specimen;
    result.fault_view = bump->view;
  }
  for (const WrongAngle& wrong :
       find_wrong_angles(work.model, start.values, pairs, work.positions, options.sigma_px)) {
    const std::string& name = work.prior.views[wrong.view].name;
    work.model.stations[wrong.view].stage_angle += wrong.correction;
    start.values.angle[wrong.view] = 0.0;
    report(
        name,
        fmt::format("\"{}\" was shot {:.2f} degrees away from its stage angle ({} points agree).",
                    name, degrees(wrong.correction), wrong.points),
        "Give its true angle in a capture table or shoot it again; the refined pose is right, the "
        "prior isn't.");
    result.fault = DropOut::wrong_angle;
    result.fault_view = wrong.view;
  }
}

// Where the images contradict a given angle, their angle replaces it: otherwise the prior would
// pull the stations after a slip back one by one. The given angle stays in the report.
void take_denied_angles(Work& work, RigValues& values, RefineResult& result) {
  constexpr double kDenied = 5.0;            // sigmas
  constexpr double kWide = 0.0174532925199;  // rad, 1 degree
  std::vector<std::string> denied;
  for (std::size_t v = 0; v < work.model.stations.size(); ++v) {
    StationModel& station = work.model.stations[v];
    if (std::abs(values.angle[v]) < kDenied * station.sigma_angle) continue;
    denied.push_back(
        fmt::format("{} ({:+.2f})", work.prior.views[v].name, degrees(values.angle[v])));
    station.stage_angle += values.angle[v];
    station.sigma_angle = std::max(station.sigma_angle, kWide);
    values.angle[v] = 0.0;
  }
  if (denied.empty()) return;
  result.findings.push_back(
      {Severity::note, "refine", "",
       fmt::format("Stage angles that differ from the nominal angle by more than {:.0f} standard "
                   "deviations, difference in degrees: {}. The refined poses follow the images.",
                   kDenied, fmt::join(denied, ", ")),
       "Check whether the stage slipped; give the true angles in a capture table where they are "
       "known."});
}

}  // namespace
const char* name_of(AlignmentVerdict verdict) {
  switch (verdict) {
    case AlignmentVerdict::will_align:
      return "can be oriented";
    case AlignmentVerdict::at_risk:
      return "at risk";
    case AlignmentVerdict::will_not_align:
      return "can hardly be oriented";
    case AlignmentVerdict::not_refined:
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
  RefineResult result = unrefined(prior, rings, work.places);

  const std::vector<PairMatches> free_pairs = match_freely(work);
  std::size_t free_matches = 0;
  for (const PairMatches& pair : free_pairs) free_matches += pair.matches.size();
  if (free_matches < 10 * prior.views.size()) {
    result.sentence = fmt::format(
        "Too little texture: {} matches over {} views; the poses stay those of the rig.",
        free_matches, prior.views.size());
    result.findings.push_back(
        {Severity::doubt, "refine", "", result.sentence,
         "Nothing to do where the axis is calibrated; else calibrate it with a board."});
    return result;
  }
  StartOptions start_options;
  start_options.sigma_px = work.level_px;
  const std::vector<PairMatches> few = thinned(free_pairs, kStartMatches);
  StartResult start =
      start_from_matches(work.model, zero_values(work.model), few, work.positions, start_options);
  AdjustOptions options;
  find_faults(work, free_pairs, few, start_options, start, options.free, result);
  RigValues values = start.values;

  // Points from the free matches give a covariance, which gives the bands.
  std::vector<Track> tracks = triangulate(build_tracks(free_pairs, work.positions), work.model,
                                          values, {.max_residual_px = 6.0 * work.level_px});
  options.sigma_px = 0.5 * work.level_px;
  options.rounds = 2;
  AdjustResult adjusted = adjust(work.model, values, tracks, options);
  const double common_px = kCommonError_px * work.level_px;
  const auto covariance_now = [&] {
    return adjust_covariance(work.model, values, tracks, std::hypot(adjusted.sigma_px, common_px),
                             options.free);
  };
  AdjustCovariance covariance = covariance_now();

  std::vector<PairMatches> pairs = match_in_bands(work, values, covariance.rig,
                                                  std::max(0.5 * work.level_px, adjusted.sigma_px));
  tracks = triangulate(build_tracks(pairs, work.positions), work.model, values,
                       {.max_residual_px = 4.0 * work.level_px});
  tracks = triangulate(align_tracks(std::move(tracks), features, prior.camera), work.model, values,
                       {.max_residual_px = 4.0 * work.level_px});
  options.sigma_px = adjusted.sigma_px;
  options.rounds = 3;
  adjusted = adjust(work.model, values, tracks, options);
  take_denied_angles(work, values, result);
  options.sigma_px = adjusted.sigma_px;
  options.common_px = common_px;
  options.rounds = 1;
  const int iterations = adjusted.iterations;
  adjusted = adjust(work.model, values, tracks, options);
  adjusted.iterations += iterations;
  covariance = covariance_now();
  fill_result(result, {work.model, values, tracks, pairs, adjusted, covariance, work.places});
  return result;
}

}  // namespace trunnion::refine
