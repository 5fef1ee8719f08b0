#include "pipeline/desk/shoot_again.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>

#include "core/angle.h"
#include "core/csv.h"
#include "core/text.h"

namespace trunnion::desk {
namespace {

const Ring* ring_called(const Specimen& specimen, const std::string& name) {
  const auto found = std::find_if(specimen.rings.begin(), specimen.rings.end(),
                                  [&](const Ring& ring) { return ring.name == name; });
  return found == specimen.rings.end() ? nullptr : &*found;
}

ShotAgain shot_of(const std::string& ring_name, int station, double stage_angle,
                  const Specimen& specimen) {
  ShotAgain shot;
  shot.ring = ring_name;
  shot.station = station;
  const Ring* ring = ring_called(specimen, ring_name);
  const int sign = ring == nullptr ? 1 : static_cast<int>(ring->turning);
  shot.stage_angle_deg = degrees(stage_angle) * sign + 0.0;
  if (ring == nullptr) return shot;
  shot.tilt_deg = degrees(ring->tilt);
  if (ring->reference_mm) {
    shot.rail_mm = fmt::format("reference slice at {}", number_text(*ring->reference_mm));
  }
  if (ring->frames > 0) {
    shot.rail_mm += fmt::format("{}{} frames", shot.rail_mm.empty() ? "" : ", ", ring->frames);
  }
  return shot;
}

// The file of a station without an image, with as many digits as its neighbours have.
std::string named_as_others(const report::ReportGap& gap, const report::ReportData& data,
                            const Specimen& specimen) {
  constexpr std::string_view kPlace = "{station}";
  const Ring* ring = ring_called(specimen, gap.ring);
  const std::size_t at = ring == nullptr ? std::string::npos : ring->pattern.find(kPlace);
  if (at == std::string::npos) return gap.file;
  const std::size_t fixed = ring->pattern.size() - kPlace.size();
  for (const report::ReportView& view : data.views) {
    if (view.ring != gap.ring || view.source_file.size() <= fixed) continue;
    std::string file = ring->pattern;
    file.replace(at, kPlace.size(),
                 fmt::format("{:0{}}", gap.station, view.source_file.size() - fixed));
    return file;
  }
  return gap.file;
}

// Doubts about the photograph, not about what was made of it.
bool needs_a_photograph(const report::ToDo& item, const report::ReportData& data) {
  if (item.severity == Severity::fault) return true;
  return std::any_of(data.findings.begin(), data.findings.end(), [&](const Finding& finding) {
    const bool stage = finding.stage != "mask" && finding.stage != "export";
    return stage && finding.severity == Severity::doubt && !finding.file.empty() &&
           item.what.size() >= finding.what.size() &&
           item.what.substr(1, finding.what.size() - 1) == finding.what.substr(1);
  });
}

}  // namespace

std::vector<ShotAgain> shots_again(const report::ReportData& data, const Specimen& specimen) {
  const report::Judgement judgement = report::judge(data);
  std::vector<ShotAgain> shots;
  const auto reasons_at = [&](const std::string& anchor) {
    std::vector<std::string> reasons;
    for (const report::ToDo& item : judgement.to_do) {
      if (item.anchor == anchor && needs_a_photograph(item, data)) reasons.push_back(item.what);
    }
    return reasons;
  };
  for (std::size_t k = 0; k < data.views.size(); ++k) {
    const report::ReportView& view = data.views[k];
    std::vector<std::string> reasons = reasons_at(fmt::format("view-{}", k));
    if (reasons.empty()) continue;
    shots.push_back(shot_of(view.ring, view.station, view.stage_angle, specimen));
    shots.back().file = view.source_file;
    shots.back().reasons = std::move(reasons);
  }
  for (std::size_t k = 0; k < data.gaps.size(); ++k) {
    const report::ReportGap& gap = data.gaps[k];
    shots.push_back(shot_of(gap.ring, gap.station, gap.stage_angle, specimen));
    shots.back().file = named_as_others(gap, data, specimen);
    shots.back().reasons = reasons_at(fmt::format("gap-{}", k));
  }
  std::stable_sort(shots.begin(), shots.end(), [&](const ShotAgain& a, const ShotAgain& b) {
    const auto order = [&](const ShotAgain& shot) {
      const Ring* ring = ring_called(specimen, shot.ring);
      return std::pair(ring == nullptr ? specimen.rings.data() + specimen.rings.size() : ring,
                       shot.station);
    };
    return order(a) < order(b);
  });
  return shots;
}

std::string shots_again_csv(const std::vector<ShotAgain>& shots) {
  std::string text = "ring,station,stage_angle_deg,tilt_deg,rail_mm,file,reason\n";
  for (const ShotAgain& shot : shots) {
    text += fmt::format("{},{},{},{},{},{},{}\n", csv_cell(shot.ring), shot.station,
                        number_text(shot.stage_angle_deg), number_text(shot.tilt_deg),
                        csv_cell(shot.rail_mm), csv_cell(shot.file),
                        csv_cell(fmt::format("{}", fmt::join(shot.reasons, " "))));
  }
  return text;
}

}  // namespace trunnion::desk
