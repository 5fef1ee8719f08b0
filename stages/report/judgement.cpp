// The verdict, the list of things to do and the paragraph for a methods section.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>
#include <set>

#include "core/angle.h"
#include "core/median.h"
#include "core/station.h"
#include "stages/report/report.h"

namespace trunnion::report {
namespace {

constexpr const char* kWholeSet = "whole set";

// "/a/fused/low_7.tif" names "fused/low_7.tif".
bool names(const std::string& file, const std::string& known) {
  return !known.empty() && (file == known || file.ends_with("/" + known));
}

std::string stem(const std::string& file) {
  return std::filesystem::path(file).stem().string();
}

// Where a finding belongs in the page.
void locate(ToDo& item, const Finding& finding, const ReportData& data) {
  item.where = finding.file.empty() ? kWholeSet : finding.file;
  if (finding.file.empty()) return;
  for (std::size_t i = 0; i < data.gaps.size(); ++i) {
    if (!names(finding.file, data.gaps[i].file)) continue;
    item.where = station_text(data.gaps[i].ring, data.gaps[i].station);
    item.anchor = fmt::format("gap-{}", i);
    return;
  }
  // Paths first: the name of one view may be the file name of another station's source.
  using Fits = bool (*)(const Finding&, const ReportView&);
  for (const Fits fits : {Fits([](const Finding&f, const ReportView&view) {
                            return names(f.file, view.source_file) ||
                                   names(f.file, view.image_file);
                          }),
                          Fits([](const Finding&f, const ReportView&view) {
                            return f.file == view.name || stem(f.file) == view.name;
                          })}) {
    for (std::size_t i = 0; i < data.views.size(); ++i) {
      const ReportView& view = data.views[i];
      if (!fits(finding, view)) continue;
      item.where = station_text(view.ring, view.station);
      item.view = view.name;
      item.anchor = fmt::format("view-{}", i);
      return;
    }
  }
}

bool starts_with_file(const std::string& text) {
  const std::string first = text.substr(0, text.find_first_of(" :,"));
  return first.find_first_of("/\\_.") < first.size() - 1;
}

// Findings come as fragments from some stages; people read sentences. Names of files stay as they
// are.
std::string as_sentence(std::string text) {
  if (text.empty()) return text;
  if (text[0] >= 'a' && text[0] <= 'z' && !starts_with_file(text))
    text[0] = static_cast<char>(text[0] - 'a' + 'A');
  if (std::string_view(".!?").find(text.back()) == std::string_view::npos) text += '.';
  return text;
}

// Gaps that no finding speaks of.
void add_silent_gaps(std::vector<ToDo>& to_do, const ReportData& data) {
  for (std::size_t i = 0; i < data.gaps.size(); ++i) {
    const std::string anchor = fmt::format("gap-{}", i);
    if (std::any_of(to_do.begin(), to_do.end(),
                    [&](const ToDo& item) { return item.anchor == anchor; })) {
      continue;
    }
    const ReportGap& gap = data.gaps[i];
    to_do.push_back({Severity::fault, station_text(gap.ring, gap.station), "", anchor,
                     "This station has no image.",
                     "Shoot it and run prepare again; finished images are not made twice."});
  }
}

// The acceptance of this doubt, where there is one: the same sentence at the same place.
const Acceptance* acceptance_of(const ToDo& item, const Finding& finding, const ReportData& data) {
  const auto fits = [&](const Acceptance& each) {
    if (as_sentence(each.doubt) != item.what) return false;
    if (each.station)
      return item.where == station_text(each.ring, *each.station) && !item.anchor.empty();
    if (!each.file.empty()) return finding.file == each.file;
    return item.where == kWholeSet;
  };
  const auto found = std::find_if(data.review.accepted.begin(), data.review.accepted.end(), fits);
  return found == data.review.accepted.end() ? nullptr : &*found;
}

std::string accepted_at(const Acceptance& each) {
  if (each.station) return station_text(each.ring, *each.station);
  return each.file.empty() ? kWholeSet : each.file;
}

// What the review says beside the findings: exclusions, and acceptances that nothing answers to.
void add_decisions(Judgement& judgement, const ReportData& data,
                   const std::set<const Acceptance*>& used) {
  for (const Exclusion& each : data.review.excluded) {
    judgement.notes.push_back(
        {Severity::note, station_text(each.ring, each.station), "", "",
         fmt::format("This station is excluded ({}): {}", each.date, as_sentence(each.reason)),
         "Nothing to do; remove its table from review.toml to use it again."});
  }
  if (!data.prepared) return;  // only some doubts are known
  for (const Acceptance& each : data.review.accepted) {
    if (used.contains(&each)) continue;
    judgement.notes.push_back(
        {Severity::note, accepted_at(each), "", "",
         fmt::format(
             "review.toml accepts a doubt that is not raised, or not with these figures: {}",
             as_sentence(each.doubt)),
         "Remove its table from review.toml; accept the doubt again if it is listed."});
  }
}

// Missing stations, then images in the order of the set, then files of neither, then the whole set.
std::pair<int, std::size_t> order_of(const ToDo& item) {
  if (item.anchor.starts_with("gap-")) return {0, std::stoul(item.anchor.substr(4))};
  if (item.anchor.starts_with("view-")) return {1, std::stoul(item.anchor.substr(5))};
  return {item.where == kWholeSet ? 3 : 2, 0};
}

enum class Group { missing, faulty, doubtful, whole_set };

Group group_of(const ToDo& item) {
  if (item.anchor.starts_with("gap-")) return Group::missing;
  if (item.where == kWholeSet) return Group::whole_set;
  return item.severity == Severity::fault ? Group::faulty : Group::doubtful;
}

// Places of a group in the order of the set, each once; where three or more neighbours follow each
// other, as "low 3 to low 9".
std::vector<std::string> places_of(const std::vector<ToDo>& items, Group group,
                                   const ReportData& data) {
  std::set<std::size_t> views;
  std::vector<std::string> others;
  for (const ToDo& item : items) {
    if (group_of(item) != group) continue;
    if (item.anchor.starts_with("view-")) {
      views.insert(std::stoul(item.anchor.substr(5)));
    } else if (std::find(others.begin(), others.end(), item.where) == others.end()) {
      others.push_back(item.where);
    }
  }
  std::vector<std::string> places;
  for (auto first = views.begin(); first != views.end();) {
    auto last = first;
    const auto follows = [&](auto next) {
      return next != views.end() && *next == *last + 1 &&
             data.views[*next].ring == data.views[*last].ring;
    };
    while (follows(std::next(last))) ++last;
    const auto name = [&](std::size_t i) {
      return station_text(data.views[i].ring, data.views[i].station);
    };
    if (*last - *first >= 2) {
      places.push_back(fmt::format("{} to {}", name(*first), name(*last)));
      first = std::next(last);
    } else {
      places.push_back(name(*first));
      ++first;
    }
  }
  places.insert(places.end(), others.begin(), others.end());
  if (views.size() == data.views.size() && views.size() > 3 && others.empty()) {
    return {fmt::format("all {} images", views.size())};
  }
  return places;
}

// "low 7, low 11 and high 4"; as many as a sentence bears by name.
std::string enumerate(const std::vector<std::string>& names) {
  constexpr std::size_t kNamed = 24;
  const std::size_t shown = std::min(names.size(), kNamed);
  std::string text;
  for (std::size_t i = 0; i < shown; ++i) {
    const bool last = i + 1 == names.size();
    text += (i == 0 ? "" : last ? " and " : ", ") + names[i];
  }
  if (names.size() > shown) text += fmt::format(" and {} more", names.size() - shown);
  return text;
}

std::vector<std::string> decisions(const ReportData& data, std::size_t accepted) {
  std::vector<std::string> parts;
  if (accepted > 0) {
    parts.push_back(fmt::format("{} {} accepted by a person", accepted,
                                accepted == 1 ? "doubt is" : "doubts are"));
  }
  const std::size_t out = data.review.excluded.size();
  if (out == 0) return parts;
  std::vector<std::string> names;
  for (const Exclusion& each : data.review.excluded) {
    names.push_back(station_text(each.ring, each.station));
  }
  parts.push_back(fmt::format("{} {} excluded", enumerate(names), out == 1 ? "is" : "are"));
  return parts;
}

bool one(const std::vector<std::string>& places) {
  return places.size() == 1 && places[0].find(" to ") == std::string::npos &&
         !places[0].starts_with("all ");
}

std::string verdict_sentence(const ReportData& data, const Judgement& judgement,
                             std::size_t accepted) {
  const auto gaps = places_of(judgement.to_do, Group::missing, data);
  const auto faults = places_of(judgement.to_do, Group::faulty, data);
  const auto doubts = places_of(judgement.to_do, Group::doubtful, data);
  const auto set_items = std::count_if(judgement.to_do.begin(), judgement.to_do.end(),
                                       [](const ToDo& item) { return item.where == kWholeSet; });
  std::vector<std::string> parts;
  if (!gaps.empty()) {
    parts.push_back(fmt::format("{} {} missing", enumerate(gaps), one(gaps) ? "is" : "are"));
  }
  if (!faults.empty()) {
    parts.push_back(fmt::format("{} cannot be used as {}", enumerate(faults),
                                one(faults) ? "it is" : "they are"));
  }
  if (!doubts.empty()) parts.push_back(fmt::format("check {}", enumerate(doubts)));
  if (set_items > 0 && judgement.verdict != Verdict::good) {
    parts.push_back(set_items == 1 ? "one finding concerns the whole set"
                                   : fmt::format("{} findings concern the whole set", set_items));
  }
  const bool lacking =
      judgement.verdict == Verdict::reshoot && gaps.empty() &&
      std::any_of(data.views.begin(), data.views.end(), [](const ReportView& view) {
        return view.pose_state == PoseState::contradicted;
      });
  const char* lead = lacking                                 ? "Not usable as it is"
                     : judgement.verdict == Verdict::reshoot ? "Not complete"
                     : judgement.verdict == Verdict::check   ? "Usable, with doubts"
                     : data.prepared                         ? "Ready"
                                                             : "Fit for preparing";
  if (parts.empty()) {
    parts.push_back(fmt::format("all {} {}stations {}", data.views.size(),
                                data.review.excluded.empty() ? "" : "other ",
                                data.prepared ? "are prepared" : "were found"));
    if (accepted == 0) {
      parts.back() += data.prepared ? " and none is in doubt" : " and no doubt was raised";
    }
  }
  for (std::string& part : decisions(data, accepted)) parts.push_back(std::move(part));
  return fmt::format("{}: {}.", lead, fmt::join(parts, "; "));
}

std::string camera_words(const ReportData& data) {
  const std::string kind = data.camera.projection == Projection::telecentric
                               ? "scaled orthographic camera"
                               : "perspective camera";
  return fmt::format(
      "{} ({} geometry{})", kind, data.lens_calibrated ? "calibrated" : "nominal",
      data.pixel_pitch_um > 0 ? fmt::format(", pixel pitch {:.3g} um", data.pixel_pitch_um) : "");
}

std::string version_of_trunnion(const ReportData& data) {
  for (const ReportFact& fact : data.versions) {
    if (fact.name == "trunnion") return " " + fact.value;
  }
  return {};
}

}  // namespace

const char* name_of(Verdict verdict) {
  return verdict == Verdict::good ? "good" : verdict == Verdict::check ? "check" : "reshoot";
}

nlohmann::ordered_json to_do_json(const std::vector<ToDo>& items) {
  nlohmann::ordered_json list = nlohmann::ordered_json::array();
  for (const ToDo& item : items) {
    list.push_back({{"severity", name_of(item.severity)},
                    {"where", item.where},
                    {"view", item.view},
                    {"anchor", item.anchor},
                    {"what", item.what},
                    {"remedy", item.remedy}});
  }
  return list;
}

Judgement judge(const ReportData& data) {
  Judgement judgement;
  Findings findings = data.findings;
  for (Finding& finding : review(data)) {
    const bool known = std::any_of(findings.begin(), findings.end(), [&](const Finding& f) {
      return f.file == finding.file && f.what == finding.what;
    });
    if (!known) findings.push_back(std::move(finding));
  }
  std::set<const Acceptance*> accepted;
  for (const Finding& finding : findings) {
    // Ingest reports missing stations once for the whole set; here each one is an entry.
    if (finding.stage == "ingest" && finding.file.empty() && !data.gaps.empty()) continue;
    ToDo item{finding.severity, {}, {}, {}, as_sentence(finding.what), as_sentence(finding.remedy)};
    locate(item, finding, data);
    if (item.severity == Severity::doubt) {
      if (const Acceptance* by = acceptance_of(item, finding, data)) {
        accepted.insert(by);
        item.severity = Severity::note;
        item.what = fmt::format("Accepted doubt: {}", item.what);
        item.remedy = fmt::format("Accepted on {}: {}", by->date, as_sentence(by->reason));
      }
    }
    (item.severity == Severity::note ? judgement.notes : judgement.to_do)
        .push_back(std::move(item));
  }
  add_decisions(judgement, data, accepted);
  add_silent_gaps(judgement.to_do, data);
  // Most urgent first; within that by station, so that what is said of one stands together.
  std::stable_sort(judgement.to_do.begin(), judgement.to_do.end(),
                   [](const ToDo& a, const ToDo& b) {
                     return std::pair(b.severity, order_of(a)) < std::pair(a.severity, order_of(b));
                   });
  if (!judgement.to_do.empty()) {
    judgement.verdict =
        judgement.to_do.front().severity == Severity::fault ? Verdict::reshoot : Verdict::check;
  }
  judgement.sentence = verdict_sentence(data, judgement, accepted.size());
  return judgement;
}

std::string methods_paragraph(const ReportData& data) {
  std::string text = fmt::format("{} fused images", data.views.size());
  if (!data.title.empty()) text += fmt::format(" of {}", data.title);
  if (!data.rings.empty()) {
    text += fmt::format(" from {} ring{} of stations (", data.rings.size(),
                        data.rings.size() == 1 ? "" : "s");
    for (std::size_t i = 0; i < data.rings.size(); ++i) {
      const ReportRing& ring = data.rings[i];
      text += fmt::format("{}{} stations at {:.1f} degrees of elevation", i == 0 ? "" : "; ",
                          ring.stations, degrees(ring.elevation));
    }
    text += ")";
  }
  text += fmt::format(" were prepared with trunnion{}. ", version_of_trunnion(data));
  int repaired = 0;  // in the image with the most
  for (const ReportView& view : data.views) {
    repaired = std::max(repaired, view.spots_repaired.value_or(0));
  }
  if (repaired > 0) {
    text +=
        fmt::format("{} static defects of the sensor were corrected or interpolated. ", repaired);
  } else if (!data.spots.empty()) {
    text += fmt::format("{} static defects of the sensor were found and left as they are. ",
                        data.spots.size());
  }
  text += fmt::format("The images are described by a {}; poses follow from the {} rotation axis",
                      camera_words(data), data.axis_calibrated ? "calibrated" : "nominal");
  std::vector<double> positions;
  std::vector<double> residuals;
  for (const ReportView& view : data.views) {
    if (view.sigma_position_mm) positions.push_back(*view.sigma_position_mm);
    if (view.residual_px) residuals.push_back(*view.residual_px);
  }
  if (data.refined) {
    text += fmt::format(", refined with {} tie points (median residual {:.2f} px)",
                        data.tie_points_total, median_of(residuals));
  }
  if (!positions.empty()) {
    text += fmt::format("; median standard uncertainty of the projection centres {:.3g} mm",
                        median_of(positions));
  }
  text += ".";
  if (data.calibration && !data.calibration->hash.empty()) {
    text += fmt::format(" Calibration record {}.", data.calibration->hash);
  }
  if (!data.review.excluded.empty()) {
    text += fmt::format(" {} planned {} excluded by decision.", data.review.excluded.size(),
                        data.review.excluded.size() == 1 ? "station was" : "stations were");
  }
  if (!data.gaps.empty()) {
    text += fmt::format(" {} of {} stations had no usable image.", data.gaps.size(),
                        data.gaps.size() + data.views.size());
  }
  return text;
}

}  // namespace trunnion::report
