#include <algorithm>
#include <cmath>
#include <iterator>
#include <optional>
#include <set>

#include "core/angle.h"
#include "stages/refine/capture.h"
#include "stages/refine/turn.h"

namespace trunnion::refine {
namespace {

std::vector<std::size_t> views_of_ring(const RigModel& model, std::size_t ring) {
  std::vector<std::size_t> views;
  for (std::size_t v = 0; v < model.stations.size(); ++v) {
    if (model.stations[v].ring == ring) views.push_back(v);
  }
  return views;
}

// Whether nearly all of a stretch's correspondences are found only after the turn, and none of its
// views stands where it is given: one wrong station moves no stretch.
bool stretch_moved(const RigModel& model, const RigValues& values,
                   const std::set<std::size_t>& views,
                   const std::vector<Correspondence>& correspondences, const Turn& turn,
                   double limit_px) {
  constexpr int kLeastCorrespondences = 6;
  if (std::abs(turn.correction) < radians(1.0)) return false;
  const auto count = static_cast<int>(correspondences.size());
  if (4 * turn.points < 3 * count) return false;
  int moved_views = 0;
  int others = 0;
  for (const std::size_t view : views) {
    std::vector<Correspondence> own;
    std::copy_if(
        correspondences.begin(), correspondences.end(), std::back_inserter(own),
        [view](const Correspondence& correspondence) { return correspondence.view == view; });
    const auto seen = static_cast<int>(own.size());
    if (seen < kLeastCorrespondences) continue;
    const int given = found_at(model, values, {view}, 0.0, own, limit_px);
    const int there = found_at(model, values, {view}, turn.correction, own, limit_px);
    if (4 * there >= 3 * seen && there - given >= std::max(4, seen / 5)) {
      ++moved_views;
    } else {
      ++others;
    }
  }
  return moved_views >= 2 && others == 0;
}

class JumpSearch {
 public:
  JumpSearch(const CaptureInput& input, const std::vector<PairMatches>& pairs, bool across_rings)
      : input_(input),
        model_(input.model),
        values_(input.values),
        across_(across_rings),
        limit_px_(1.5 * tolerance_of(input)) {
    std::fill(values_.angle.begin(), values_.angle.end(), 0.0);
    for (std::size_t ring = 0; ring < model_.rings.size(); ++ring) {
      own_.push_back(long_tracks(model_, ring, pairs, input.positions));
    }
    if (!across_) return;
    std::fill(values_.azimuth_offset.begin(), values_.azimuth_offset.end(), 0.0);
    all_ = all_long_tracks(pairs, input.positions);
  }

  std::vector<Jump> run() {
    std::vector<Jump> jumps;
    for (std::size_t ring = 0; ring < model_.rings.size(); ++ring) {
      const std::vector<std::size_t> views = views_of_ring(model_, ring);
      for (std::size_t k = across_ && ring > 0 ? 0 : kBeside; k + kBeside <= views.size(); ++k) {
        const Views before = stretch(views, k - std::min(k, kBeside), k);
        const Views behind = stretch(views, k, k + kBeside);
        std::optional<Turn> turn = moved(own_[ring], before, behind);
        if (!turn && across_) turn = moved_against_others(ring, before, behind);
        if (!turn) continue;
        for (std::size_t i = k; i < views.size(); ++i) {
          model_.stations[views[i]].stage_angle += turn->correction;
        }
        jumps.push_back({views[k], turn->correction, turn->points});
      }
    }
    return jumps;
  }

 private:
  using Views = std::set<std::size_t>;
  using Correspondences = std::vector<Correspondence>;
  static constexpr std::size_t kBeside = 3;  // stations on either side: fewer are no stretch
  static constexpr std::size_t kLeastCorrespondences = 12;

  static Views stretch(const std::vector<std::size_t>& views, std::size_t from, std::size_t to) {
    return {views.begin() + static_cast<std::ptrdiff_t>(from),
            views.begin() + static_cast<std::ptrdiff_t>(to)};
  }

  // Points that the views for which `serves` holds place, where `seen_by` see them.
  [[nodiscard]] Correspondences placed(const std::vector<Track>& tracks,
                                       const std::function<bool(std::size_t)>& serves,
                                       const Views& seen_by) const {
    Correspondences list;
    for (const Track& track : tracks) {
      const bool of_use =
          std::any_of(track.views.begin(), track.views.end(),
                      [&](const TrackView& seen) { return seen_by.contains(seen.view); });
      if (!of_use) continue;
      const auto position = placed_by(track, model_, values_, serves, tolerance_of(input_));
      if (!position) continue;
      for (const TrackView& seen : track.views) {
        if (seen_by.contains(seen.view)) list.push_back({*position, seen.at_px, seen.view});
      }
    }
    return list;
  }
  [[nodiscard]] bool stand_as_given(const Views& views, const Correspondences& list) const {
    const int given = found_at(model_, values_, views, 0.0, list, limit_px_);
    return 4 * given > 3 * static_cast<int>(list.size());
  }
  [[nodiscard]] std::optional<Turn> turn_of(const Views& behind,
                                            const Correspondences& list) const {
    if (list.size() < kLeastCorrespondences || stand_as_given(behind, list)) return std::nullopt;
    const Turn turn = best_turn(model_, values_, behind, list, limit_px_);
    if (!stretch_moved(model_, values_, behind, list, turn, limit_px_)) return std::nullopt;
    return turn;
  }
  // By points that the stations before place.
  [[nodiscard]] std::optional<Turn> moved(const std::vector<Track>& tracks, const Views& before,
                                          const Views& behind) const {
    if (before.empty()) return std::nullopt;
    return turn_of(behind, placed(
                               tracks, [&](std::size_t v) { return before.contains(v); }, behind));
  }
  // By points that the other rings place, where the stations before fit these, and no point of the
  // ring itself holds the two stretches together.
  [[nodiscard]] std::optional<Turn> moved_against_others(std::size_t ring, const Views& before,
                                                         const Views& behind) const {
    const auto others = [&](std::size_t v) { return model_.stations[v].ring != ring; };
    if (!before.empty()) {
      const Correspondences anchors = placed(all_, others, before);
      if (anchors.size() < kLeastCorrespondences || !stand_as_given(before, anchors)) {
        return std::nullopt;
      }
      const Correspondences own = placed(
          own_[ring], [&](std::size_t v) { return before.contains(v); }, behind);
      const int held = found_at(model_, values_, behind, 0.0, own, limit_px_);
      if (2 * held > static_cast<int>(own.size())) return std::nullopt;
    }
    return turn_of(behind, placed(all_, others, behind));
  }

  const CaptureInput& input_;
  RigModel model_;
  RigValues values_;
  bool across_;
  double limit_px_;
  std::vector<std::vector<Track>> own_;  // a ring
  std::vector<Track> all_;
};

}  // namespace

std::vector<Jump> find_jumps(const CaptureInput& input, const std::vector<PairMatches>& pairs,
                             bool across_rings) {
  return JumpSearch(input, pairs, across_rings).run();
}

}  // namespace trunnion::refine
