#include <fmt/format.h>

#include <cmath>

#include "core/angle.h"
#include "stages/refine/claims.h"

namespace trunnion::refine {

Findings step_findings(const Claims& claims, const std::vector<RingAxis>& rings,
                       const std::vector<double>& given, const std::vector<double>& found) {
  Findings findings;
  for (const auto& [ring, factor] : claims.factors) {
    const std::string where =
        ring ? fmt::format("Ring \"{}\": the", rings[*ring].ring) : std::string("The");
    const double step = std::abs(degrees(step_of(claims.model, ring.value_or(0), given)));
    const double shown = std::abs(degrees(step_of(claims.model, ring.value_or(0), found)));
    const bool reversed = factor == -1.0;
    const int rounds = rounds_of(claims.model, ring.value_or(0), 1.0);
    const std::string what =
        reversed
            ? where +
                  " images show the specimen turning in the opposite direction to the one given."
            : fmt::format("{} images show steps of {:.2f} degrees, where {:.2f} is given{}{}.",
                          where, shown, step,
                          factor < 0 ? ", and the specimen turning in the opposite direction" : "",
                          rounds > 1 ? fmt::format(": the stage went round {} times", rounds) : "");
    findings.push_back(
        {Severity::fault, "refine", "", what,
         fmt::format("Correct {} in specimen.toml or the angles in the capture table and run "
                     "prepare again; until then these poses count as contradicted.",
                     reversed ? "turning" : "step_deg")});
  }
  return findings;
}

}  // namespace trunnion::refine
