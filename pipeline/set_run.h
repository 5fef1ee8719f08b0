// All that a run of prepare or check knows of its set: what it was called with, and what its steps
// found. A step reads what earlier ones wrote and writes its own part.
#pragma once

#include <map>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "config/calibration_record.h"
#include "core/mask_measures.h"
#include "core/survey_result.h"
#include "core/view_measures.h"
#include "pipeline/decoded_images.h"
#include "pipeline/journal.h"
#include "pipeline/output_store.h"
#include "pipeline/prepare.h"
#include "pipeline/progress.h"
#include "pipeline/step.h"
#include "pipeline/workspace.h"
#include "stages/compare_stations/compare_stations.h"
#include "stages/ingest/ingest.h"
#include "stages/mask_confidence/mask_confidence.h"
#include "stages/undistort/undistort.h"

namespace trunnion {

// What the image steps leave behind of one image; kept in the journal, so it must stay small.
struct ImageResult {
  FileType type = FileType::tiff;  // of the written image
  int spots_repaired = 0;
  bool user_mask = false;      // a mask painted by the user changed the result
  cv::Mat before_subtraction;  // see Painted (painted_mask.h)
  MaskMeasures mask;
  ViewMeasures view;
  Findings findings;
};

// The encoded pixels of an image, before metadata is added.
struct EncodedFile {
  int channels = 3;
  int bits = 8;
  std::uintmax_t bytes = 0;
  std::int64_t modified_ns = 0;
  std::string hash;
  std::string head;  // first bytes of the file: see annotate_images.cpp
};

struct ImageItem {
  ingest::StationImage station;
  std::string input_hash;
  std::string fingerprint;                         // of all image steps
  std::map<std::string_view, std::string> prints;  // fingerprint of each product, by its name
  bool reused = false;                             // its pixels were not encoded again
  bool faulty = false;                             // left out; the reason is in result.findings
  ImageResult result;
  EncodedFile encoded;

  // Relative to the workspace.
  [[nodiscard]] std::string image_path() const;
  [[nodiscard]] std::string encoded_path() const;
};

struct SetRun {
  const Workspace& workspace;
  const PrepareOptions& options;
  Job job;
  int jobs;  // images in flight
  Journal& journal;
  OutputStore& outputs;
  Progress& progress;
  std::string date{};  // ISO 8601, for the report only

  std::vector<ingest::StationImage> images{};  // usable ones: found by ingest, less what the survey
                                               // can't read
  std::unique_ptr<DecodedImages> decoded{};
  SurveyResult survey{};
  std::string survey_fingerprint{};  // of what the survey found
  undistort::UndistortMap map{};
  std::vector<ImageItem> items{};  // less faulty ones; prepare: one a view of the scene
  std::vector<compare_stations::StationLook>
      looks{};                    // one an item: exposure and sharpness among the stations
  std::vector<RingAxis> rings{};  // axes used by orient
  mask_confidence::MaskConfidence confidence{};
  PrepareOutcome outcome{};  // outcome.scene: priors from orient on, refined poses after refine

  [[nodiscard]] const Settings& settings() const { return workspace.file.settings; }
  void add(const Findings& findings) {
    outcome.findings.insert(outcome.findings.end(), findings.begin(), findings.end());
  }
};

std::string mask_path(const ingest::StationImage& station, const OutputSettings& output);

}  // namespace trunnion
