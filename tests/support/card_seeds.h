// Seeds of the simulated cards (simulated_card.h), fixed before any constant of stages/gather was
// chosen: constants may be chosen on the tuning seeds only, figures are given from the judging
// seeds only.
#pragma once

#include <cstdint>

namespace trunnion::test {

inline constexpr std::uint64_t kFirstTuningSeed = 1;
inline constexpr int kTuningSeeds = 10;  // of each kind: 1 to 10
inline constexpr std::uint64_t kFirstJudgingSeed = 1001;
inline constexpr int kJudgingSeeds = 20;  // of each kind: 1001 to 1020
// Of the simulated series (simulated_series.h) 1 to 40 are for tuning, 1001 to 1100 for judging.
inline constexpr int kJudgingSeries = 100;

}  // namespace trunnion::test
