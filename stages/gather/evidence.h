// Part of gather: what times and previews say of each gap between two frames, as log densities
// within a series and between two (gather.h).
#pragma once

#include <optional>
#include <vector>

#include "stages/gather/gather.h"

namespace trunnion::gather {

// Between two frames that did not fail, one after the other.
struct Gap {
  std::optional<double> dt_s;
  bool whole_seconds = false;
  bool clock_jump = false;  // back in time, or so far ahead that dt says nothing
  bool settings_changed = false;
  int slots = 1;   // frames from one to the next: 1 + those that failed + those missing by number
  int hidden = 0;  // of them failed, and so in the sequence
  // log of the difference of the previews over that of the gaps around; nothing: unknown.
  std::optional<double> change;
};

struct GapScore {
  double within = 0;   // log density where both belong to one series
  double between = 0;  // where a part ends here
  double restart = 0;  // where a series is given up and begun again: the view may be the same
  double loose = 0;    // within test shots: any time, any difference
};

// Densities fitted to the card.
struct GapModel {
  bool times = true;
  bool previews = true;
  double interval_s = 1;  // in a series
  double spread_s = 0.2;
  double pause_mean = 4;  // log of s, between series
  double pause_spread = 2;
  double same_mean = 0;  // log change in a series
  double same_spread = 0.4;
  double new_mean = 1.5;  // between series
  double new_spread = 0.8;
};

// Which frames failed: black against those around, or unreadable.
std::vector<bool> failed_frames(const std::vector<Frame>& frames);

// Root mean square difference of two previews, at the ratio of exposures that makes it least;
// negative: unknown.
double difference(const Frame& a, const Frame& b);

// `units`: indices of the frames that did not fail; one gap fewer.
std::vector<Gap> gaps_of(const std::vector<Frame>& frames, const std::vector<std::size_t>& units);

GapModel first_model(const std::vector<Gap>& gaps, const GatherOptions& options);

// Fitted again where `cut` is the probability that a part ends at each gap.
void refit(GapModel& model, const std::vector<Gap>& gaps, const std::vector<double>& cut);

GapScore score(const GapModel& model, const Gap& gap);

// What previews say of two frames on both sides of a gap, or of two series: log densities of a log
// change as in Gap.
struct ChangeScore {
  double same = 0;   // neighbours in a series
  double fresh = 0;  // of two stations
  double equal = 0;  // of one station at about one plane of focus
};
ChangeScore change_score(const GapModel& model, double change);

// What the time alone says: log odds of an end of a part.
double time_odds(const GapModel& model, double dt_s, bool whole_seconds);

}  // namespace trunnion::gather
