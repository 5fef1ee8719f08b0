// Which stations the survey uses in which round (see survey.h).
#include <algorithm>
#include <set>

#include "stages/survey/survey.h"

namespace trunnion::survey {
namespace {

constexpr std::size_t kRoundGrowth = 3;  // of all stations from round to round

}  // namespace

std::size_t survey_round_end(std::size_t seen, std::size_t all, const SurveySettings& settings) {
  const std::size_t end =
      seen == 0 ? static_cast<std::size_t>(std::max(1, settings.stations)) : kRoundGrowth * seen;
  return std::min(end, all);
}

std::vector<std::size_t> survey_stations(const std::vector<std::size_t>& ring_sizes,
                                         const SurveySettings& settings) {
  std::size_t total = 0;
  for (const std::size_t size : ring_sizes) total += size;
  const std::size_t most =
      std::min(total, static_cast<std::size_t>(std::max(1, settings.most_stations)));
  std::vector<std::size_t> stations;
  while (stations.size() < most) {
    const std::size_t seen = stations.size();
    const std::size_t grid = seen == 0 ? survey_round_end(0, most, settings) : kRoundGrowth * seen;
    const std::size_t end = std::min(most, grid);
    // Even over the concatenated rings is even over each ring, in proportion to its size, and the
    // middle of every three places of a grid is a place of the one before.
    std::set<std::size_t> places;
    for (std::size_t k = 0; k < grid; ++k) places.insert((2 * k + 1) * total / (2 * grid));
    for (const std::size_t station : stations) places.erase(station);
    std::vector<std::size_t> between(places.begin(), places.end());
    const std::size_t wanted = std::min(end - seen, between.size());
    for (std::size_t k = 0; k < wanted; ++k) {
      stations.push_back(between[(2 * k + 1) * between.size() / (2 * wanted)]);
    }
  }
  return stations;
}

}  // namespace trunnion::survey
