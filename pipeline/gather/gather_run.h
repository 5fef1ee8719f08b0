// trunnion gather: the frames of one or several cards are read, cut into series (stages/gather) and
// copied into the workspace, a folder a station; series.csv and the batch list say what is where.
// Frames gathered earlier are part of the sequence, so that a card can be continued on another one.
#pragma once

#include <filesystem>
#include <functional>
#include <string>
#include <vector>

#include "config/settings.h"
#include "core/finding.h"
#include "pipeline/gather/frame_store.h"
#include "pipeline/gather/series_table.h"
#include "pipeline/progress.h"
#include "stages/gather/gather.h"

namespace trunnion {

struct GatherRequest {
  std::filesystem::path workspace;
  std::vector<std::filesystem::path> inputs;  // files and folders
  bool dry_run = false;
  bool use_previews = true;
  std::string batch = "fuse.sh";         // written into the workspace; empty: none
  std::filesystem::path batch_template;  // empty: the one that comes with trunnion
};

struct GatherOutcome {
  std::vector<SeriesRow> rows;
  Findings findings;
  StoreResult store;
  int frames = 0;         // in the sequence, those gathered earlier too
  int earlier = 0;        // of them gathered earlier
  int identical = 0;      // given twice, byte by byte: copied once
  int companions = 0;     // the JPEG beside a raw frame of the same name: left where it is
  int others = 0;         // files that are no frames: left where they are
  double interval_s = 0;  // between the frames of a series
  std::vector<std::string> written;
};

// Throws a usage error for inputs that are not there or hold no frame.
GatherOutcome gather_frames(const GatherRequest& request, Progress& progress);

// Removes copies, series.csv and the batch list; originals were never touched.
GatherOutcome undo_gather(const std::filesystem::path& workspace, const std::string& batch);

// Stations in the order in which they were shot: that of the capture table where there is one, else
// of the rings; with the frames of the shot list (plan.json), the table or the ring.
struct ExpectedStation {
  gather::Expected series;
  double angle_deg = 0;
  std::string fused;
};
std::vector<ExpectedStation> expected_stations(const std::filesystem::path& workspace,
                                               const Specimen& specimen);

}  // namespace trunnion
