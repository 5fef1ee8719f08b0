#include "pipeline/last_run.h"

#include <fmt/format.h>
#include <sys/stat.h>

#include <algorithm>
#include <chrono>
#include <nlohmann/json.hpp>

#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"
#include "pipeline/fingerprint.h"
#include "pipeline/set_run.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

constexpr const char* kLastRunFormat = "trunnion last run";
constexpr int kLastRunVersion = 1;
constexpr std::size_t kMostToDo = 50;

fs::path last_run_file(const fs::path& workspace) {
  return workspace / ".trunnion" / "last_run.json";
}

// Name, size and time stamp of each file below a folder, sorted; links are followed, as reading
// does. Temporary files of a run are none of the set.
void list_files(const fs::path& folder, const std::string& prefix, int depth,
                const std::vector<std::string>& without, std::vector<std::string>& lines) {
  constexpr int kDeepest = 10;  // a link into a folder above it would never end
  std::error_code code;
  for (fs::directory_iterator each(folder, code), end; !code && each != end; each.increment(code)) {
    const std::string name = each->path().filename().string();
    if (depth == 0 && std::find(without.begin(), without.end(), name) != without.end()) continue;
    if (name.starts_with(kTemporaryPrefix)) continue;
    struct stat status {};
    const std::string relative = prefix + name;
    if (::stat(each->path().c_str(), &status) != 0) {
      lines.push_back(relative + " ?");
    } else if (S_ISDIR(status.st_mode)) {
      if (depth == kDeepest) {  // nothing is known of what lies there: no stamp equals another
        lines.push_back(
            fmt::format("? {}", std::chrono::steady_clock::now().time_since_epoch().count()));
        continue;
      }
      list_files(each->path(), relative + "/", depth + 1, without, lines);
    } else {
      lines.push_back(fmt::format("{} {} {} {}", relative, status.st_size, status.st_mtim.tv_sec,
                                  status.st_mtim.tv_nsec));
    }
  }
}

Json last_run_json(const LastRun& last) {
  return {{"format", kLastRunFormat},  {"version", kLastRunVersion},
          {"finished", last.finished}, {"stamp", last.stamp},
          {"sentence", last.sentence}, {"verdict", name_of(last.verdict)},
          {"stations", last.stations}, {"images", last.images},
          {"width_mm", last.width_mm}, {"height_mm", last.height_mm},
          {"seconds", last.seconds},   {"date", last.date},
          {"setup", last.setup},       {"calibration_hash", last.calibration_hash},
          {"picture", last.picture},   {"to_do", report::to_do_json(last.to_do)}};
}

LastRun last_run_in(const Json& json) {
  LastRun last;
  json.at("finished").get_to(last.finished);
  json.at("stamp").get_to(last.stamp);
  json.at("sentence").get_to(last.sentence);
  const std::string verdict = json.at("verdict");
  last.verdict = verdict == "good"    ? report::Verdict::good
                 : verdict == "check" ? report::Verdict::check
                                      : report::Verdict::reshoot;
  json.at("stations").get_to(last.stations);
  json.at("images").get_to(last.images);
  json.at("width_mm").get_to(last.width_mm);
  json.at("height_mm").get_to(last.height_mm);
  json.at("seconds").get_to(last.seconds);
  json.at("date").get_to(last.date);
  json.at("setup").get_to(last.setup);
  json.at("calibration_hash").get_to(last.calibration_hash);
  json.at("picture").get_to(last.picture);
  for (const Json& item : json.at("to_do")) {
    report::ToDo to_do;
    const std::string severity = item.at("severity");
    to_do.severity = severity == name_of(Severity::fault)   ? Severity::fault
                     : severity == name_of(Severity::doubt) ? Severity::doubt
                                                            : Severity::note;
    item.at("where").get_to(to_do.where);
    item.at("what").get_to(to_do.what);
    item.at("remedy").get_to(to_do.remedy);
    last.to_do.push_back(std::move(to_do));
  }
  return last;
}

}  // namespace

std::string workspace_stamp(const Workspace& workspace, bool prepared) {
  Fingerprint print("workspace");
  print.add(workspace.setup_hash);
  print.add(workspace.record ? workspace.record->hash : std::string());
  print.add(workspace.file.inherited);
  const SpecimenRecord& record = workspace.file.specimen.record;
  for (const RecordTerm& term : kRecordTerms) print.add(record.*term.field);
  for (const TemplateSettings& wanted : workspace.file.settings.output.templates) {
    print.add(hash_file(wanted.file));
  }
  std::vector<std::string> without{".trunnion"};
  if (!prepared) without.emplace_back("prepared");
  std::vector<std::string> lines;
  list_files(workspace.root, "", 0, without, lines);
  std::sort(lines.begin(), lines.end());
  for (const std::string& line : lines) print.add(line);
  return print.hash();
}

std::optional<LastRun> read_last_run(const fs::path& workspace) {
  std::error_code code;
  if (!fs::exists(last_run_file(workspace), code)) return std::nullopt;
  try {
    const Json json = Json::parse(read_file(last_run_file(workspace)));
    if (json.at("format") != kLastRunFormat || json.at("version") != kLastRunVersion)
      return std::nullopt;
    return last_run_in(json);
  } catch (const std::exception&) {  // damaged: the next run writes it again
    return std::nullopt;
  }
}

bool is_current(const Workspace& workspace, const LastRun& last) {
  return last.stamp == workspace_stamp(workspace);
}

void write_last_run(const Workspace& workspace, const LastRun& last) {
  write_file(last_run_file(workspace.root),
             last_run_json(last).dump(1, ' ', false, Json::error_handler_t::replace) + "\n");
}

LastRun last_run_of(const SetRun& set) {
  const PrepareOutcome& outcome = set.outcome;
  LastRun last;
  last.finished = true;
  last.sentence = outcome.judgement.sentence;
  last.verdict = outcome.judgement.verdict;
  last.to_do = outcome.judgement.to_do;
  if (last.to_do.size() > kMostToDo) last.to_do.resize(kMostToDo);
  last.stations = outcome.stations_expected;
  last.images = outcome.images_prepared;
  const double pixel_mm = set.workspace.setup.object_pixel_um() / 1000.0;
  for (const ImageItem& item : set.items) {
    last.width_mm = std::max(last.width_mm, item.result.mask.box_px.width * pixel_mm);
    last.height_mm = std::max(last.height_mm, item.result.mask.box_px.height * pixel_mm);
  }
  for (const auto& timed : outcome.seconds) last.seconds += timed.second;
  last.date = set.date;
  last.setup = set.workspace.setup.name;
  if (set.workspace.record) last.calibration_hash = set.workspace.record->hash;
  const std::string picture = "prepared/report/pictures/0000-small.jpg";
  std::error_code code;
  if (fs::exists(set.workspace.root / picture, code)) last.picture = picture;
  return last;
}

}  // namespace trunnion
