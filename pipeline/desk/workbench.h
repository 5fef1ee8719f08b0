// What the desk does to a workspace, without HTTP: it keeps the set prepared, takes strokes and
// decisions, and says what is known. Thread-safe: each change is whole on the disk when its
// function returns, one after the other, whichever page asked.
#pragma once

#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <filesystem>
#include <map>
#include <memory>
#include <mutex>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <thread>

#include "pipeline/desk/desk.h"
#include "pipeline/desk/strokes.h"
#include "pipeline/desk/tiles.h"
#include "pipeline/workspace.h"
#include "pipeline/workspace_lock.h"
#include "stages/report/report.h"

namespace trunnion::desk {

using Json = nlohmann::ordered_json;

class Workbench {
 public:
  // Locks the workspace and begins to prepare it, unless it is only to be seen.
  Workbench(std::filesystem::path folder, const DeskOptions& options);
  ~Workbench();
  Workbench(const Workbench&) = delete;
  Workbench& operator=(const Workbench&) = delete;

  // All that the page shows but pictures (docs/desk.md).
  [[nodiscard]] Json state();
  // One view as in report.json, with the spots of the set. Empty where there is no such view.
  [[nodiscard]] Json view(const std::string& name);
  // Waits until something is newer than `revision`; the newest revision.
  std::uint64_t wait(std::uint64_t revision, std::chrono::milliseconds longest);
  // Where the run stands: "stage", "done", "total", "revision".
  [[nodiscard]] Json progress();
  [[nodiscard]] bool ending();
  void end();

  // Each throws a data error that says what is wrong with the request.
  void paint(const Json& request);               // view, page, paint, radius_px, points, fill
  [[nodiscard]] bool undo(const Json& request);  // view, page
  [[nodiscard]] bool redo(const Json& request);
  void exclude(const Json& request);  // ring, station, reason
  void include(const Json& request);  // ring, station
  void accept(const Json& request);   // where, view, doubt, reason
  void retract(const Json& request);  // index into review.accepted

  // kind: before, after or mask. The file of that view; nothing where there is none.
  [[nodiscard]] std::optional<std::filesystem::path> picture(const std::string& view,
                                                             const std::string& kind);
  Tiles& tiles() { return tiles_; }
  [[nodiscard]] std::filesystem::path report_folder() const {
    return workspace_.prepared() / "report";
  }
  [[nodiscard]] std::shared_ptr<const report::ReportData> report();
  [[nodiscard]] const Specimen& specimen() const { return workspace_.file.specimen; }

 private:
  void run();
  void prepare_once();
  void load_report();
  void changed(bool prepare);
  void guard_writing() const;
  void write_review(const std::string& text);
  [[nodiscard]] std::string review_text() const;
  StationPaint& paint_of(const report::ReportView& view, const report::ReportData& data);

  std::filesystem::path folder_;
  DeskOptions options_;
  Workspace workspace_;  // as it was when the desk began
  std::unique_ptr<WorkspaceLock> lock_;
  Tiles tiles_;

  std::mutex writing_;  // strokes and decisions, one at a time
  std::map<std::string, StationPaint> paints_;

  std::mutex mutex_;
  std::condition_variable condition_;
  std::shared_ptr<const report::ReportData> report_;
  std::uint64_t revision_ = 1;
  bool wanted_ = false;  // something changed since the run began
  bool running_ = false;
  bool ending_ = false;
  std::string stage_;
  std::size_t done_ = 0;
  std::size_t total_ = 0;
  std::string error_;  // why the last run ended without a result
  std::thread thread_;
};

}  // namespace trunnion::desk
