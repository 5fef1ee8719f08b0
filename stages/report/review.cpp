// Comparison over the stations of a ring.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "core/angle.h"
#include "core/median.h"
#include "core/station.h"
#include "stages/report/report.h"

namespace trunnion::report {
namespace {

struct Step {
  const ReportView* from = nullptr;
  const ReportView* to = nullptr;
  double change = 0;  // rad, of the angle correction
};

std::vector<Step> steps_of(const ReportData& data) {
  std::vector<Step> steps;
  for (std::size_t i = 1; i < data.views.size(); ++i) {
    const ReportView& from = data.views[i - 1];
    const ReportView& to = data.views[i];
    if (from.ring != to.ring || !from.angle_correction || !to.angle_correction) continue;
    // Contradicted poses have a fault of their own, which says what is wrong.
    if (from.pose_state == PoseState::contradicted || to.pose_state == PoseState::contradicted) {
      continue;
    }
    steps.push_back({&from, &to, *to.angle_correction - *from.angle_correction});
  }
  return steps;
}

// Scale of the changes from their median absolute value; 1.4826 makes it a standard deviation of a
// normal distribution (Rousseeuw and Croux, "Alternatives to the median absolute deviation",
// Journal of the American Statistical Association 88, 1993).
double usual_change(const std::vector<Step>& steps) {
  std::vector<double> sizes;
  for (const Step& step : steps) sizes.push_back(std::abs(step.change));
  return 1.4826 * median_in_place(sizes);
}

std::string place(const ReportView& view) {
  return station_text(view.ring, view.station);
}

}  // namespace

Findings review(const ReportData& data, const ReviewLimits& limits) {
  Findings findings;
  const std::vector<Step> steps = steps_of(data);
  if (!data.refined || steps.size() < 4) return findings;  // too few to know what is usual
  const double sigma = usual_change(steps);
  const double limit = std::max(limits.least_slip, limits.slip_sigmas * sigma);
  for (std::size_t i = 0; i < steps.size(); ++i) {
    const Step& step = steps[i];
    if (std::abs(step.change) <= limit) continue;
    // A jump that the next step takes back concerns one station, which is named once.
    const bool back = i + 1 < steps.size() && steps[i + 1].from == step.to &&
                      std::abs(step.change + steps[i + 1].change) <= limit;
    const std::string what =
        back ? fmt::format(
                   "The stage angle of {} alone is offset by {:+.2f} degrees (typical "
                   "variation {:.2f}).",
                   place(*step.to), degrees(step.change), degrees(sigma))
             : fmt::format(
                   "From {} on, stage angles are offset by {:+.2f} degrees (typical "
                   "variation {:.2f}).",
                   place(*step.to), degrees(step.change), degrees(sigma));
    findings.push_back({Severity::doubt, "refine", step.to->source_file, what,
                        "The refined poses follow this offset; check whether the specimen moved on "
                        "its mount, and check the stage for slipping."});
    if (back) ++i;
  }
  return findings;
}

}  // namespace trunnion::report
