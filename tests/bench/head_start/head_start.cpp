// Head start: what the exported poses are worth to a plain reconstruction. Prints lines of a
// Markdown table: without them, with those of the rig, with the refined ones.
//   head_start NAME PREPARED truth/cameras.json     a demo set
//   head_start NAME PREPARED turntable36            the published sequence's folder
#include <fmt/format.h>

#include <Eigen/Geometry>
#include <cmath>
#include <cstdio>
#include <exception>

#include "tests/bench/head_start/adjustment.h"
#include "tests/support/turntable_data.h"

namespace head_start {
namespace {

constexpr double kDegrees = 180.0 / 3.14159265358979323846;

Reference published(const std::filesystem::path& folder, const Set& set) {
  Reference reference;
  const auto views = trunnion::test::read_turntable36(folder);
  for (std::size_t i = 0; i < std::min(views.size(), set.views.size()); ++i) {
    reference.poses[set.views[i].name] = {views[i].pose.R, views[i].pose.t};
  }
  return reference;
}

double angle_between(const Eigen::Matrix3d& a, const Eigen::Matrix3d& b) {
  return kDegrees * Eigen::AngleAxisd(a * b.transpose()).angle();
}

struct Judged {
  int views = 0;
  double rms_deg = 0;    // of the turns between neighbouring stations
  double worst_deg = 0;  // of one of them
  double drift_deg = 0;  // of their sum over the first ring
  double scale = 0;      // found over true; 0 where the reference has none
};

Eigen::Vector3d centre(const Pose& pose) {
  return -pose.R.transpose() * pose.t;
}

double spread(const std::vector<Eigen::Vector3d>& points) {
  Eigen::Vector3d mean = Eigen::Vector3d::Zero();
  for (const auto& p : points) mean += p / static_cast<double>(points.size());
  double sum = 0;
  for (const auto& p : points) sum += (p - mean).squaredNorm();
  return std::sqrt(sum / static_cast<double>(points.size()));
}

// Turns between stations do not depend on the world's rotation or scale, which images alone can't
// tell, nor on the metric of the published matrices.
Judged judge(const Set& set, const Outcome& outcome, const Reference& reference) {
  Judged judged;
  std::vector<Eigen::Vector3d> found_centres, true_centres;
  std::optional<std::size_t> last;
  double squares = 0;
  int steps = 0;
  for (std::size_t v = 0; v < set.views.size(); ++v) {
    const auto truth = reference.poses.find(set.views[v].name);
    if (!outcome.poses[v] || truth == reference.poses.end()) continue;
    ++judged.views;
    found_centres.push_back(centre(*outcome.poses[v]));
    true_centres.push_back(centre(truth->second));
    if (last && set.views[*last].ring == set.views[v].ring) {
      const double off =
          angle_between(outcome.poses[v]->R, outcome.poses[*last]->R) -
          angle_between(truth->second.R, reference.poses.at(set.views[*last].name).R);
      squares += off * off;
      ++steps;
      judged.worst_deg = std::max(judged.worst_deg, std::abs(off));
      if (set.views[v].ring == set.views[0].ring) judged.drift_deg += off;
    }
    last = v;
  }
  judged.rms_deg = std::sqrt(squares / std::max(1, steps));
  judged.drift_deg = std::abs(judged.drift_deg);
  if (reference.metric && judged.views >= 2) {
    judged.scale = spread(found_centres) / spread(true_centres);
  }
  return judged;
}

void print_line(const std::string& name, const char* start, const Set& set, const Outcome& outcome,
                const Judged& judged, bool scaled) {
  const auto total = static_cast<int>(set.views.size());
  // Every view, right within a degree, by points that fit.
  const bool solved =
      judged.views >= 0.95 * total && judged.worst_deg < 1.0 && outcome.rms_px < 1.0;
  fmt::print(
      "| {} | {} | {} | {} of {} | {} | {} | {} | {:.1f} | {:.1f} | {:.2f} | {:.3f} / {:.3f} | "
      "{:.3f} | {} |\n",
      name, start, solved ? "yes" : "no", judged.views, total, outcome.pairs_tried, outcome.points,
      outcome.iterations, outcome.matching_seconds, outcome.solving_seconds, outcome.rms_px,
      judged.rms_deg, judged.worst_deg, judged.drift_deg,
      scaled && judged.scale > 0 ? fmt::format("{:+.2f} %", 100.0 * (judged.scale - 1.0)) : "none");
}

int run(const std::string& name, const std::filesystem::path& prepared,
        const std::filesystem::path& reference_path) {
  Set set = read_set(prepared, 3000);
  const Reference reference = std::filesystem::is_directory(reference_path)
                                  ? published(reference_path, set)
                                  : read_demo_truth(reference_path);
  const Outcome plain = solve_plain(set);
  print_line(name, "images alone", set, plain, judge(set, plain, reference), false);
  for (const auto& [which, start] :
       {std::pair{"prior", "with the rig's poses"}, std::pair{"pose", "with the refined poses"}}) {
    take_poses(prepared, which, set);
    const Outcome with = solve_with_priors(set);
    print_line(name, start, set, with, judge(set, with, reference), true);
  }
  return 0;
}

}  // namespace
}  // namespace head_start

int main(int argc, char** argv) {
  if (argc != 4) {
    std::fputs("usage: head_start NAME PREPARED REFERENCE\n", stderr);
    return 2;
  }
  try {
    return head_start::run(argv[1], argv[2], argv[3]);
  } catch (const std::exception& error) {
    fmt::print(stderr, "{}\n", error.what());
    return 1;
  }
}
