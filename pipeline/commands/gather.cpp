// trunnion gather: frames of focus series into folders, one a station.
#include <fmt/format.h>

#include <memory>

#include "core/error.h"
#include "pipeline/command_line.h"
#include "pipeline/gather/follow.h"
#include "pipeline/gather/gather_run.h"
#include "pipeline/interrupt.h"
#include "pipeline/progress.h"
#include "pipeline/text.h"

namespace trunnion {
namespace {

struct GatherCommand {
  std::vector<std::string> frames;
  std::string workspace = ".";
  std::string batch_template;
  std::string batch = "fuse.sh";
  bool dry_run = false;
  bool undo = false;
  bool no_previews = false;
  bool follow = false;
  double idle_s = 0;
};

nlohmann::ordered_json json_of_row(const SeriesRow& row) {
  nlohmann::ordered_json json{
      {"ring", row.ring},   {"station", row.station},     {"angle_deg", row.angle_deg},
      {"state", row.state}, {"frames", row.frames},       {"planned", row.planned},
      {"first", row.first}, {"last", row.last},           {"folder", row.folder},
      {"fused", row.fused}, {"certainty", row.certainty}, {"doubts", row.doubts}};
  if (row.first_s) json["first_time"] = camera_time(*row.first_s);
  if (row.last_s) json["last_time"] = camera_time(*row.last_s);
  return json;
}

nlohmann::ordered_json json_of_gather(const GatherOutcome& outcome, const GatherCommand& options) {
  nlohmann::ordered_json json{
      {"frames", outcome.frames},           {"gathered_earlier", outcome.earlier},
      {"identical", outcome.identical},     {"companions", outcome.companions},
      {"other_files", outcome.others},      {"interval_s", outcome.interval_s},
      {"dry_run", options.dry_run},         {"copied", outcome.store.copied},
      {"reflinks", outcome.store.reflinks}, {"kept", outcome.store.kept},
      {"removed", outcome.store.removed}};
  json["series"] = nlohmann::ordered_json::array();
  for (const SeriesRow& row : outcome.rows) json["series"].push_back(json_of_row(row));
  json["findings"] = nlohmann::ordered_json::array();
  for (const Finding& f : outcome.findings) {
    json["findings"].push_back({{"severity", name_of(f.severity)},
                                {"file", f.file},
                                {"what", f.what},
                                {"remedy", f.remedy}});
  }
  json["written"] = outcome.written;
  return json;
}

std::string gather_findings_text(const Findings& findings) {
  std::string text;
  const bool unicode = locale_is_utf8();
  for (const Finding& f : findings) {
    text += printable(fmt::format("{}: {} {}", name_of(f.severity), f.what, f.remedy), unicode);
    text += "\n";
  }
  return text;
}

std::string gather_text(const GatherOutcome& outcome, const GatherCommand& options) {
  int whole = 0;
  int incomplete = 0;
  int stations = 0;
  int aside = 0;
  for (const SeriesRow& row : outcome.rows) {
    whole += row.state == "whole" ? 1 : 0;
    incomplete += row.state == "incomplete" ? 1 : 0;
    stations += row.of_station() ? 1 : 0;
    aside += row.of_station() ? 0 : row.frames;
  }
  std::string text = gather_findings_text(outcome.findings);
  text += fmt::format("{} frames: complete series of {} of {} stations", outcome.frames, whole,
                      stations);
  if (incomplete > 0) text += fmt::format(", {} incomplete", incomplete);
  if (aside > 0) text += fmt::format(", {} frames set aside", aside);
  text += ".\n";
  if (outcome.identical > 0) {
    text += fmt::format("{} frames are equal byte by byte to others and count once.\n",
                        outcome.identical);
  }
  if (outcome.companions > 0) {
    text += fmt::format("{} JPEGs beside frames of the same name were left where they are.\n",
                        outcome.companions);
  }
  if (outcome.others > 0) {
    text += fmt::format("{} files that are no images were left where they are.\n", outcome.others);
  }
  if (options.dry_run) return text + "Nothing was written (--dry-run).\n";
  text += fmt::format(
      "{} frames copied ({} of them sharing blocks with the original), {} were there "
      "already.\n",
      outcome.store.copied, outcome.store.reflinks, outcome.store.kept);
  for (const std::string& file : outcome.written) text += fmt::format("wrote {}\n", file);
  return text;
}

CommandResult run_gather(const GatherCommand& options, const Common& common) {
  if (options.undo) {
    if (!options.frames.empty() || options.dry_run) {
      throw usage_error("--undo takes no frames and no --dry-run; give only --workspace.");
    }
    const GatherOutcome outcome = undo_gather(options.workspace, options.batch);
    CommandResult result;
    result.json = {{"removed", outcome.store.removed},
                   {"left", outcome.store.altered},
                   {"removed_lists", outcome.written}};
    result.text = gather_findings_text(outcome.findings) +
                  fmt::format("{} copies removed; the originals were never touched.\n",
                              outcome.store.removed);
    return result;
  }
  if (options.frames.empty()) {
    throw usage_error("Give the frames to gather, or the folder of a card.");
  }
  GatherRequest request;
  request.workspace = options.workspace;
  for (const std::string& input : options.frames) request.inputs.emplace_back(input);
  request.dry_run = options.dry_run;
  request.use_previews = !options.no_previews;
  request.batch = options.batch;
  request.batch_template = options.batch_template;
  const InterruptGuard guard({});
  if (options.follow) {
    const auto say = [&](const Finding& finding) {
      if (!common.quiet) show(stderr, gather_findings_text({finding}));
    };
    follow_frames(request, {.idle_s = options.idle_s}, say);
  }
  Progress progress({"read frames", "copy frames"}, {.quiet = common.quiet || common.json});
  const GatherOutcome outcome = gather_frames(request, progress);
  progress.close();
  CommandResult result;
  result.text = gather_text(outcome, options);
  result.json = json_of_gather(outcome, options);
  return result;
}

}  // namespace

void add_gather(CLI::App& app) {
  auto options = std::make_shared<GatherCommand>();
  CLI::App* command = add_command(
      app, "gather", "Sort the frames of focus series into folders, one for each station",
      [options](const Common& common) { return run_gather(*options, common); });
  command->add_option("frames", options->frames, "Frames, or folders of cards (searched through)");
  command
      ->add_option("-w,--workspace", options->workspace,
                   "Workspace with specimen.toml; the copies go to frames/ in it")
      ->capture_default_str();
  command->add_flag("--dry-run", options->dry_run, "Say what would be done; write nothing");
  command->add_flag("--undo", options->undo,
                    "Remove the copies, series.csv and the batch list again");
  command->add_flag("--no-previews", options->no_previews,
                    "Use times, numbers and settings only, not the embedded previews");
  command->add_flag("--follow", options->follow,
                    "Watch the folders and say what is wrong while frames arrive, until Ctrl-C");
  command
      ->add_option(
          "--idle", options->idle_s,
          "With --follow: seconds without a new frame after which all is gathered; 0: never")
      ->check(CLI::NonNegativeNumber)
      ->capture_default_str();
  command->add_option("--template", options->batch_template,
                      "Mustache template of the batch list; default: a shell loop over $FUSE");
  command
      ->add_option("--batch", options->batch,
                   "Name of the batch list in the workspace; empty: write none")
      ->capture_default_str();
}

}  // namespace trunnion
