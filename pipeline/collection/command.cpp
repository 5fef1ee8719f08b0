// trunnion collection: status, run and report of a folder with many workspaces.
#include <fmt/format.h>

#include <cstdio>
#include <map>
#include <memory>

#include "core/date.h"
#include "core/finding_text.h"
#include "pipeline/collection/report.h"
#include "pipeline/collection/run.h"
#include "pipeline/collection/setups.h"
#include "pipeline/collection/specimens.h"
#include "pipeline/command_line.h"
#include "pipeline/interrupt.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;
using collection::SpecimenState;
using collection::State;
using Json = nlohmann::ordered_json;

constexpr std::size_t kNamed = 12;

Json json_of(const SpecimenState& each) {
  Json json{{"workspace", each.name},
            {"state", name_of(each.state)},
            {"title", each.title},
            {"catalogue_number", each.record.catalogue_number},
            {"setup", each.setup}};
  if (!each.why.empty()) json["why"] = each.why;
  if (each.last && each.last->finished) {
    json["verdict"] = each.last->sentence;
    json["seconds"] = each.last->seconds;
  }
  return json;
}

Json json_of(const Collection& collection, const std::vector<SpecimenState>& specimens,
             const Findings& findings) {
  std::map<std::string, std::size_t> counts;
  Json list = Json::array();
  for (const SpecimenState& each : specimens) {
    ++counts[name_of(each.state)];
    list.push_back(json_of(each));
  }
  Json json{{"collection", collection.root().string()},
            {"title", collection.title},
            {"specimens", specimens.size()},
            {"counts", Json::object()}};
  for (const State state :
       {State::finished, State::to_do, State::changed, State::failed, State::running}) {
    json["counts"][name_of(state)] = counts[name_of(state)];
  }
  json["findings"] = findings_json(findings, FindingStage::left_out);
  json["list"] = std::move(list);
  return json;
}

std::string counts_text(const std::vector<SpecimenState>& specimens) {
  std::map<State, std::size_t> counts;
  for (const SpecimenState& each : specimens) ++counts[each.state];
  std::string text;
  for (const State state :
       {State::finished, State::changed, State::to_do, State::running, State::failed}) {
    if (counts[state] > 0) text += fmt::format("  {:>6} {}\n", counts[state], name_of(state));
  }
  return text;
}

// Those of a state by name, with the reason where there is one.
std::string named(const std::vector<SpecimenState>& specimens, State state,
                  const std::string& head) {
  std::string text;
  std::size_t shown = 0;
  std::size_t all = 0;
  for (const SpecimenState& each : specimens) {
    if (each.state != state) continue;
    if (++all > kNamed) continue;
    ++shown;
    text += fmt::format("  {}{}\n", each.name, each.why.empty() ? "" : ": " + each.why);
  }
  if (all == 0) return "";
  if (all > shown) text += fmt::format("  and {} more; --json names them all\n", all - shown);
  return head + "\n" + text;
}

std::string to_shoot_again(const std::vector<SpecimenState>& specimens) {
  std::size_t count = 0;
  for (const SpecimenState& each : specimens) {
    if (each.state == State::finished && each.last &&
        each.last->verdict == report::Verdict::reshoot) {
      ++count;
    }
  }
  return count == 0 ? ""
                    : fmt::format(
                          "{} of those finished {} stations to shoot again; see trunnion "
                          "collection report.\n",
                          count, count == 1 ? "has" : "have");
}

std::string text_of(const Collection& collection, const std::vector<SpecimenState>& specimens,
                    const Findings& findings) {
  std::string text = fmt::format("{}: {} specimens\n{}", collection.title, specimens.size(),
                                 counts_text(specimens));
  text += to_shoot_again(specimens);
  text += named(specimens, State::running, "Running:");
  text += named(specimens, State::failed, "Failed:");
  return text + findings_text(findings);
}

Findings all_findings(const Collection& collection, const std::vector<SpecimenState>& specimens) {
  Findings findings = collection::record_findings(collection, specimens);
  const Findings setups = collection::setup_findings(collection, specimens);
  findings.insert(findings.end(), setups.begin(), setups.end());
  return findings;
}

CommandResult status(const std::string& place) {
  const auto collection = read_collection(place);
  const std::vector<SpecimenState> specimens = collection::specimens_of(*collection);
  const Findings findings = all_findings(*collection, specimens);
  return {text_of(*collection, specimens, findings), json_of(*collection, specimens, findings)};
}

CommandResult run(const std::string& place, collection::RunOptions options, const Common& common) {
  options.jobs = common.jobs;
  const auto collection = read_collection(place);
  const InterruptGuard guard({});
  Progress progress({"look", "prepare"}, {.quiet = common.quiet || common.json});
  const collection::RunOutcome outcome = collection::run(*collection, options, progress);
  progress.close();
  const Findings findings = all_findings(*collection, outcome.specimens);
  CommandResult result{text_of(*collection, outcome.specimens, findings),
                       json_of(*collection, outcome.specimens, findings),
                       outcome.failed > 0 ? 1 : 0};
  result.text = fmt::format("{} prepared, {} had nothing to do, {} failed; {}.\n", outcome.prepared,
                            outcome.unchanged, outcome.failed, duration_text(outcome.seconds)) +
                result.text;
  result.json["run"] = {{"prepared", outcome.prepared},
                        {"unchanged", outcome.unchanged},
                        {"failed", outcome.failed},
                        {"seconds", outcome.seconds}};
  for (const SpecimenState& each : outcome.specimens) {
    if (each.state == State::failed) result.errors.push_back(each.name + ": " + each.why);
  }
  return result;
}

CommandResult make_report(const std::string& place, const std::string& wanted) {
  const auto collection = read_collection(place);
  const std::vector<SpecimenState> specimens = collection::specimens_of(*collection);
  const Findings findings = all_findings(*collection, specimens);
  const fs::path folder = wanted.empty() ? collection->root() / "report" : fs::path(wanted);
  collection::write_report({*collection, specimens, findings, iso_date_of_run()}, folder);
  const std::string page = (folder / "index.html").string();
  return {fmt::format("{} specimens: {}\n", specimens.size(), page),
          {{"report", page},
           {"data", (folder / "collection.json").string()},
           {"table", (folder / "collection.csv").string()},
           {"specimens", specimens.size()}}};
}

void add_place(CLI::App& command, std::string& place) {
  command.add_option("collection", place, "Folder with collection.toml")->required();
}

void add_run(CLI::App& parent) {
  auto place = std::make_shared<std::string>();
  auto options = std::make_shared<collection::RunOptions>();
  CLI::App* command =
      add_command(parent, "run", "Prepare what is to do, several specimens at once",
                  [place, options](const Common& common) { return run(*place, *options, common); });
  add_place(*command, *place);
  command
      ->add_option("--memory", options->memory_mb,
                   "Memory for all runs together, MB; 0: what the system can give")
      ->check(CLI::Range(0.0, 1e9))
      ->capture_default_str();
  command->add_flag("--again", options->again, "Also those that failed and did not change since");
}

void add_report_of_all(CLI::App& parent) {
  auto place = std::make_shared<std::string>();
  auto folder = std::make_shared<std::string>();
  CLI::App* command = add_command(
      parent, "report", "Make a page of all specimens, to sort, filter and search",
      [place, folder](const Common&) { return make_report(*place, *folder); }, Workers::one);
  add_place(*command, *place);
  command->add_option("-o,--output", *folder, "Folder for it (default: report/ in the collection)");
}

}  // namespace

void add_collection(CLI::App& app) {
  CLI::App* command =
      app.add_subcommand("collection", "Prepare and survey a folder with many workspaces");
  command->require_subcommand(1);
  auto place = std::make_shared<std::string>();
  CLI::App* shown = add_command(
      *command, "status", "Say what is finished, what is to do and what failed",
      [place](const Common&) { return status(*place); }, Workers::one);
  add_place(*shown, *place);
  add_run(*command);
  add_report_of_all(*command);
}

}  // namespace trunnion
