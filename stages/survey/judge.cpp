#include "stages/survey/judge.h"

#include <algorithm>
#include <cmath>

#include "stages/survey/agreement.h"

namespace trunnion::survey {
namespace {

constexpr double kScreening = 0.9;          // of the significance: worth a fit, which adds strength
constexpr double kScreeningTexture = 0.65;  // the same in front of texture, where agreement decides
constexpr double kWeakest = 4.2;            // strength below which agreement would not help
constexpr double kRoughest = 1.0;  // mean chi-squared of the sectors that the shape explains
// The same of pure noise: seven degrees of freedom exceed it in 2.4 % of all cases.
constexpr double kRoughestNoise = 2.3;
constexpr double kUnquiet = 1.3;  // surroundings from which weak ones are edges, not doubts
constexpr int kLeastSectors = 6;  // of eight

bool decided_by_agreement(double depth, double texture) {
  return texture >= 1 && depth > 0;
}

}  // namespace

Speck at_finest(const Speck& speck, double scale) {
  Speck finest = speck;
  finest.centre = scale * (speck.centre + cv::Point2d(0.5, 0.5)) - cv::Point2d(0.5, 0.5);
  finest.diameter *= scale;
  finest.half_length *= scale;
  return finest;
}

// Strength from which a speck is believed.
double SpeckJudge::sure_of(double depth, double texture) const {
  return (options_.significance + options_.in_texture * texture) *
         (depth < 0 ? options_.brightening : 1.0);
}

double SpeckJudge::screening_strength(double depth, double texture) const {
  const double share = decided_by_agreement(depth, texture) ? kScreeningTexture : kScreening;
  return share * sure_of(depth, texture);
}

SpeckJudgement SpeckJudge::judge(const std::vector<Level>& levels,
                                 const Candidate& candidate) const {
  const Level& own = levels[candidate.level];
  // A stronger one that was taken out may have been all there was.
  Speck speck = candidate.speck;
  weigh(own.field, speck);
  if (speck.strength < screening_strength(speck.depth, candidate.texture)) return {};
  const bool weak = speck.strength < kScreening * sure_of(speck.depth, candidate.texture);
  const double longest = kLongest * options_.greatest_diameter;
  speck = fit_speck(own.field, candidate.speck, longest / own.scale);
  SpeckVerdict verdict = verdict_of(own, speck, candidate.texture);
  // Pattern gains as much by the fit: where agreement is not yet to be had, that is but a doubt.
  const auto tempered = [weak](SpeckVerdict found) {
    return weak && found == SpeckVerdict::likely ? SpeckVerdict::doubtful : found;
  };
  verdict = tempered(verdict);
  if (verdict >= SpeckVerdict::likely) return {verdict, at_finest(speck, own.scale)};
  const Level& finest = levels.front();
  speck = at_finest(candidate.speck, own.scale);
  const cv::Rect inside({0, 0}, finest.field.x.size());
  const cv::Point at(speck.centre);
  if (candidate.level == 0 || !inside.contains(at) ||
      finest.field.texture.at<float>(at) > kTextured) {
    return {verdict, {}};
  }
  speck.scatter = 1;  // noise alone
  weigh(finest.field, speck);
  if (speck.strength < kScreening * sure_of(speck.depth, 0)) return {verdict, {}};
  speck = fit_speck(finest.field, speck, longest);
  // What was a doubt stays one.
  return {std::max(verdict, tempered(verdict_of(finest, speck, candidate.texture))), speck};
}

SpeckVerdict SpeckJudge::verdict_of(const Level& level, const Speck& speck, double texture) const {
  const cv::Rect inside({0, 0}, level.field.x.size());
  if (!inside.contains(cv::Point(speck.centre)) || std::abs(speck.depth) < options_.least_depth ||
      speck.diameter * level.scale < options_.least_diameter ||
      length_of(speck) * level.scale > options_.greatest_diameter) {
    return SpeckVerdict::none;
  }
  if (speck.strength < screening_strength(speck.depth, texture)) return SpeckVerdict::none;
  const SpeckSupport support = support_of(level.field, speck);
  const double noisy = support.noise * (1 - texture);
  const double roughest = kRoughest + noisy * (kRoughestNoise - kRoughest);
  if (support.sectors < kLeastSectors || support.roughness > roughest) return SpeckVerdict::none;
  const bool by_agreement = decided_by_agreement(speck.depth, texture);
  if (by_agreement && logs_.size() >= kAgreementStations) {
    return agreed(level, speck, support) ? SpeckVerdict::speck : SpeckVerdict::none;
  }
  const double sure = sure_of(speck.depth, texture) * support.surroundings;
  if (speck.strength >= sure) return by_agreement ? SpeckVerdict::likely : SpeckVerdict::speck;
  const bool drawn_out = speck.half_length > 0.5 * speck.diameter;
  if (support.surroundings > kUnquiet || speck.strength < kWeakest || drawn_out) {
    return SpeckVerdict::none;
  }
  return SpeckVerdict::doubtful;
}

// Strength is divided by the surroundings, agreement by their square: an edge that stands still
// agrees with itself.
bool SpeckJudge::agreed(const Level& level, const Speck& speck, const SpeckSupport& support) const {
  LightNoise noise = noise_;
  noise.at_zero /= level.scale * level.scale;
  noise.per_level /= level.scale * level.scale;
  const double agreement = agreement_of(logs_, noise, speck, static_cast<int>(level.scale));
  return std::sqrt(speck.strength * agreement / std::pow(support.surroundings, 3)) >=
         options_.agreed;
}

}  // namespace trunnion::survey
