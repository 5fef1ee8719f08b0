// Classifies one candidate of the search (search.h): chance, doubtful, or a speck.
#pragma once

#include <cstddef>
#include <opencv2/core.hpp>
#include <vector>

#include "stages/survey/search.h"

namespace trunnion::survey {

// One level of the pyramid.
struct Level {
  StaticGradient field;
  double scale = 1;  // px of the finest level
  std::vector<double> diameters;
};

struct Candidate {
  std::size_t level = 0;
  Speck speck;  // px of its level
  double texture = 0;
};

// The speck of a level at `scale` in px of the finest one.
Speck at_finest(const Speck& speck, double scale);

inline constexpr double kLongest = 1.2;   // of the greatest diameter: what a fit may pass through
inline constexpr float kTextured = 0.5F;  // share from which texture rules a pixel

enum class SpeckVerdict { none, doubtful, likely, speck };  // likely: taken for one meanwhile

struct SpeckJudgement {
  SpeckVerdict verdict = SpeckVerdict::none;
  Speck speck;  // px of the finest level
};

class SpeckJudge {
 public:
  // All three outlive the judge.
  SpeckJudge(const std::vector<cv::Mat>& logs, const LightNoise& noise,
             const SearchOptions& options)
      : logs_(logs), noise_(noise), options_(options) {}

  // Strength from which a candidate is worth its fit.
  [[nodiscard]] double screening_strength(double depth, double texture) const;

  // The candidate's speck, fitted on its own level or, where that is coarse and neighbouring edges
  // disturb it there, on the finest one.
  [[nodiscard]] SpeckJudgement judge(const std::vector<Level>& levels,
                                     const Candidate& candidate) const;

 private:
  [[nodiscard]] double sure_of(double depth, double texture) const;
  [[nodiscard]] SpeckVerdict verdict_of(const Level& level, const Speck& speck,
                                        double texture) const;
  [[nodiscard]] bool agreed(const Level& level, const Speck& speck,
                            const SpeckSupport& support) const;

  const std::vector<cv::Mat>& logs_;
  const LightNoise& noise_;
  const SearchOptions& options_;
};

}  // namespace trunnion::survey
