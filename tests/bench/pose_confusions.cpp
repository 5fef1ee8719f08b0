// Files that say something else than the images show, against the truth: how often each kind is
// named as what it is, how often innocent stations are accused, and whether confirmed poses keep
// their sigmas. A line a kind.
//   pose_confusions tuning|judging SET [SEEDS [KIND,KIND]]     SET, seeds:
//   tests/support/pose_sets.h
// With TRUNNION_SHOW set it says what it found where that is not what was planted.
#include <fmt/format.h>

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <set>
#include <string>
#include <vector>

#include "core/angle.h"
#include "tests/support/pose_sets.h"
#include "tests/support/posed_demo.h"

namespace trunnion::test {
namespace {

using refine::AcquisitionFault;

struct Kind {
  Confusion confusion;
  AcquisitionFault fault;  // what it is to be named as
};
constexpr std::array kKinds{Kind{Confusion::none, AcquisitionFault::none},
                            Kind{Confusion::half_step, AcquisitionFault::wrong_step},
                            Kind{Confusion::double_step, AcquisitionFault::wrong_step},
                            Kind{Confusion::reversed, AcquisitionFault::reversed_turning},
                            Kind{Confusion::twice_round, AcquisitionFault::several_rounds},
                            Kind{Confusion::skipped, AcquisitionFault::skipped_station},
                            Kind{Confusion::exchanged, AcquisitionFault::exchanged},
                            Kind{Confusion::exchanged_far, AcquisitionFault::exchanged},
                            Kind{Confusion::exchanged_between, AcquisitionFault::exchanged},
                            Kind{Confusion::rings_exchanged, AcquisitionFault::exchanged_rings},
                            Kind{Confusion::copied_later, AcquisitionFault::copied},
                            Kind{Confusion::copied_earlier, AcquisitionFault::copied},
                            Kind{Confusion::foreign, AcquisitionFault::unmatched},
                            Kind{Confusion::mixed, AcquisitionFault::mixed_specimens},
                            Kind{Confusion::bumped, AcquisitionFault::bumped_specimen},
                            Kind{Confusion::wrong_deg, AcquisitionFault::wrong_angle},
                            Kind{Confusion::slipped, AcquisitionFault::slipped_stage}};

// Views whose given place is wrong. A bumped specimen leaves all where they are given.
std::set<std::size_t> guilty(Confusion kind, std::size_t at, std::size_t stations,
                             std::size_t views) {
  std::set<std::size_t> result;
  const auto add = [&](std::size_t from, std::size_t to) {
    for (std::size_t v = from; v < to; ++v) result.insert(v);
  };
  const std::size_t far = (at + 7) % stations;
  switch (kind) {
    case Confusion::none:
    case Confusion::bumped:
      break;
    case Confusion::half_step:
    case Confusion::double_step:
    case Confusion::reversed:
    case Confusion::rings_exchanged:
      add(0, views);
      break;
    case Confusion::twice_round:
      add(0, 2 * stations);
      break;
    case Confusion::skipped:
      add(at, stations - 1);
      break;
    case Confusion::slipped:
      add(at, stations);
      break;
    case Confusion::exchanged:
      add(at, at + 2);
      break;
    case Confusion::exchanged_far:
      result = {at, far};
      break;
    case Confusion::exchanged_between:
      result = {at, stations + far};
      break;
    case Confusion::copied_later:
      add(at + 1, at + 2);
      break;
    case Confusion::mixed:
      for (std::size_t k = at; k < at + 5; ++k) {
        result.insert({k % stations, stations + k % stations});
      }
      break;
    case Confusion::copied_earlier:
    case Confusion::foreign:
    case Confusion::wrong_deg:
      add(at, at + 1);
      break;
  }
  return result;
}

struct Score {
  int sets = 0;
  int named = 0;
  int accusing = 0;  // sets in which an innocent station is accused
  int views = 0;
  int confirmed = 0;
  int components = 0;
  int beyond3 = 0;
  int beyond4 = 0;
  int beyond6 = 0;
  double worst = 0;
  double squares = 0;  // of errors in sigmas
};

// Errors of a pose in units of its sigmas, as its covariance counts them (core/pose.h).
Eigen::Matrix<double, 6, 1> in_sigmas(const Pose& found, const Pose& truth,
                                      const PoseCovariance& covariance) {
  const Eigen::AngleAxisd turn(found.R * truth.R.transpose());
  Eigen::Matrix<double, 6, 1> error;
  error << turn.angle() * turn.axis(), found.centre_mm() - truth.centre_mm();
  return error.cwiseQuotient(covariance.diagonal().cwiseSqrt());
}

void score(const PosedDemo& set, bool calibrated, const Kind& kind, std::size_t at, Score& score) {
  const refine::RefineResult result = refined(set, calibrated);
  const std::set<std::size_t> wrong =
      guilty(kind.confusion, at, static_cast<std::size_t>(set.options.stations),
             result.scene.views.size());
  std::set<std::size_t> contradicted;
  bool accusing = false;
  for (std::size_t v = 0; v < result.scene.views.size(); ++v) {
    const View& view = result.scene.views[v];
    ++score.views;
    if (view.state == PoseState::contradicted) {
      contradicted.insert(v);
      accusing = accusing || !wrong.contains(v);
    }
    if (view.state != PoseState::confirmed) continue;
    ++score.confirmed;
    const auto off = in_sigmas(view.pose, set.truth[v], view.covariance);
    for (int i = 0; i < 6; ++i) {
      const double sigmas = std::abs(off[i]);
      ++score.components;
      score.beyond3 += sigmas > 3 ? 1 : 0;
      score.beyond4 += sigmas > 4 ? 1 : 0;
      score.beyond6 += sigmas > 6 ? 1 : 0;
      score.worst = std::max(score.worst, sigmas);
      score.squares += sigmas * sigmas;
      if (sigmas > 6 && std::getenv("TRUNNION_SHOW") != nullptr) {
        fmt::print("  seed {}: {} component {} is {:.1f} sigmas off\n", set.options.seed, view.name,
                   i, sigmas);
      }
    }
  }
  int faults = 0;
  for (const Finding& finding : result.findings) {
    faults += finding.severity == Severity::fault ? 1 : 0;
  }
  // A moved specimen is followed, so its poses are right and it is a doubt.
  const bool fault_expected =
      kind.fault != AcquisitionFault::none && kind.fault != AcquisitionFault::bumped_specimen;
  const bool named =
      result.fault == kind.fault && contradicted == wrong && faults == (fault_expected ? 1 : 0);
  ++score.sets;
  score.named += named ? 1 : 0;
  score.accusing += accusing ? 1 : 0;
  if (!named && std::getenv("TRUNNION_SHOW") != nullptr) {
    fmt::print("  seed {} at {}: fault {}, {} contradicted of {}; {}\n", set.options.seed, at,
               static_cast<int>(result.fault), contradicted.size(), wrong.size(), result.sentence);
    for (const Finding& finding : result.findings) {
      fmt::print("    {} {}\n", finding.file, finding.what);
    }
  }
}

// `only`: names between commas; empty: all.
bool wanted(const std::string& only, Confusion kind) {
  return only.empty() ||
         ("," + only + ",").find(fmt::format(",{},", name_of(kind))) != std::string::npos;
}

int run(bool judging, const std::string& name, int seeds, const std::string& only,
        const std::string& rig) {
  for (const PoseSet& set : kPoseSets) {
    if (name != set.name) continue;
    std::vector<PosedDemo> sets;
    for (int k = 0; k < seeds; ++k) {
      const std::uint64_t first = judging ? kFirstJudgingSeed : kFirstTuningSeed;
      sets.push_back(posed_demo(pose_set_options(set, first + static_cast<std::uint64_t>(k))));
    }
    fmt::print("{:<10} {:<22} {:>5} {:>6} {:>8} {:>10} {:>8} {:>8} {:>6} {:>6} {:>6}\n",
               "lens, axis", "kind", "sets", "named", "accusing", "confirmed", "> 3 s %", "> 4 s %",
               "> 6 s", "worst", "rms/s");
    for (const bool calibrated : {true, false}) {
      if (!rig.empty() && (rig == "calibrated") != calibrated) continue;
      for (const Kind& kind : kKinds) {
        if (!wanted(only, kind.confusion)) continue;
        Score s;
        for (std::size_t k = 0; k < sets.size(); ++k) {
          const std::size_t at = 3 + 5 * k % (kPoseSetStations - 7);
          const PosedDemo& other = sets[(k + 1) % sets.size()];
          score(confused(sets[k], kind.confusion, at, &other), calibrated, kind, at, s);
        }
        const double all = std::max(1, s.components);
        fmt::print(
            "{:<10} {:<22} {:>5} {:>6} {:>8} {:>9.1f}% {:>8.2f} {:>8.2f} {:>6} {:>6.1f} {:>6.2f}\n",
            calibrated ? "calibrated" : "nominal", name_of(kind.confusion), s.sets, s.named,
            s.accusing, 100.0 * s.confirmed / std::max(1, s.views), 100.0 * s.beyond3 / all,
            100.0 * s.beyond4 / all, s.beyond6, s.worst, std::sqrt(s.squares / all));
        std::fflush(stdout);
      }
    }
    return 0;
  }
  return 2;
}

}  // namespace
}  // namespace trunnion::test

int main(int count, char** words) {
  const std::string which = count > 2 ? words[1] : "";
  if (which != "tuning" && which != "judging") {
    fmt::print(
        stderr,
        "usage: pose_confusions tuning|judging SET [SEEDS [KIND,KIND [calibrated|nominal]]]\n");
    return 2;
  }
  const int seeds = count > 3 ? std::atoi(words[3]) : trunnion::test::kJudgingSeeds;
  return trunnion::test::run(which == "judging", words[2], seeds, count > 4 ? words[4] : "",
                             count > 5 ? words[5] : "");
}
