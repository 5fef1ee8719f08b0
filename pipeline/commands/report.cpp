// trunnion report: remakes the report page from what the workspace holds.
#include <fmt/format.h>

#include <cstdio>
#include <filesystem>
#include <memory>

#include "core/error.h"
#include "core/image_io.h"
#include "pipeline/command_line.h"
#include "pipeline/journal.h"
#include "pipeline/output_store.h"
#include "pipeline/prepare.h"
#include "pipeline/progress.h"
#include "pipeline/workspace.h"
#include "pipeline/workspace_lock.h"
#include "stages/report/report.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

bool complete(const report::ViewThumbnails& pictures) {
  return !pictures.small_jpeg.empty() && !pictures.before_jpeg.empty() &&
         !pictures.after_jpeg.empty();
}

// Pictures that were lost are made again from the images, where these still exist.
bool remake_pictures(report::ReportView& view, const Workspace& workspace) {
  const fs::path before = workspace.root / view.source_file;
  const fs::path after = workspace.prepared() / view.image_file;
  const fs::path mask = workspace.prepared() / view.mask_file;
  if (!fs::exists(before) || !fs::exists(after)) return false;
  cv::Mat inside;
  if (!view.mask_file.empty() && fs::exists(mask)) inside = read_image(mask);
  view.pictures = report::make_thumbnails(read_image(before), read_image(after), inside);
  return true;
}

CommandResult run(const std::string& folder, const Common& common) {
  const Workspace workspace = open_workspace(folder, {.calibration = {}, .ignore_mismatch = true});
  const fs::path place = workspace.prepared() / "report";
  if (!fs::exists(place / "report.json")) {
    throw data_error(fmt::format("{}: no report here yet; run trunnion prepare {} first.",
                                 (place / "report.json").string(), folder));
  }
  const WorkspaceLock lock(workspace);
  Progress progress({"pictures", "page"}, {.quiet = common.quiet || common.json});
  report::ReportData data = report::read_report(place);
  std::size_t missing = 0;
  for (const report::ReportView& view : data.views) missing += complete(view.pictures) ? 0U : 1U;
  int remade = 0;
  if (missing > 0) {
    progress.start("pictures", missing);
    for (report::ReportView& view : data.views) {
      if (complete(view.pictures)) continue;
      remade += remake_pictures(view, workspace) ? 1 : 0;
      progress.step();
    }
  }
  progress.start("page");
  report::write_report(data, place);
  with_sound_journal(workspace.journal(), [&] {
    Journal journal(workspace.journal());
    OutputStore(journal, workspace.root, false).record_folder("prepared/report", "report");
  });
  progress.close();

  const report::Judgement judgement = report::judge(data);
  Summary summary = summary_of(judgement);
  summary.outputs = {{"report", (place / "index.html").string()}};
  return {format_summary(summary, terminal_traits(stdout)),
          {{"report", (place / "index.html").string()},
           {"verdict", judgement.sentence},
           {"stations", data.views.size()},
           {"pictures_remade", remade}}};
}

}  // namespace

void add_report(CLI::App& app) {
  auto folder = std::make_shared<std::string>();
  CLI::App* command = add_command(
      app, "report", "Make the report page again from the data in the workspace",
      [folder](const Common& common) { return run(*folder, common); }, Workers::one);
  command->add_option("workspace", *folder, "Folder with specimen.toml")->required();
}

}  // namespace trunnion
