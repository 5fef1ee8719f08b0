// All that a run of prepare or check knows of its set: what it was called with, and what its steps
// found. A step reads what earlier ones wrote and writes its own part.
#pragma once

#include <map>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "config/calibration_record.h"
#include "core/image_io.h"
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
#include "stages/exposure/exposure.h"
#include "stages/ingest/ingest.h"
#include "stages/mask_confidence/mask_confidence.h"
#include "stages/refine/refine.h"
#include "stages/undistort/undistort.h"

namespace trunnion {

// What the journal keeps of the measures of an image, for both directions (archive.h).
template <typename Archive>
void archive_mask(Archive& archive, MaskMeasures& mask) {
  archive(mask.area_px);
  archive(mask.centroid_px.x);
  archive(mask.centroid_px.y);
  for (cv::Rect* box : {&mask.box_px, &mask.doubt_px}) {
    for (int* side : {&box->x, &box->y, &box->width, &box->height}) archive(*side);
  }
  archive(mask.separation);
  archive(mask.weak_outline);
  archive(mask.predicted_overlap);
  archive(mask.predicted_sigma);
  archive(mask.touches_left);
  archive(mask.touches_right);
  archive(mask.touches_top);
  archive(mask.touches_bottom);
  archive(mask.silhouette);
  archive(mask.silhouette_scale);
}

template <typename Archive>
void archive_view_measures(Archive& archive, ViewMeasures& view) {
  archive(view.backdrop_level);
  archive(view.specimen_level);
  archive(view.sharpness);
  archive(view.clipped_high);
  archive(view.clipped_low);
}

// What the image steps leave behind of one image; kept in the journal, so it must stay small.
struct ImageResult {
  FileType type = FileType::tiff;  // of the written image
  int spots_repaired = 0;
  HandPainting by_hand;
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
  bool in_survey = false;  // the survey examined it
  std::string input_hash;
  std::string fingerprint;                         // of all image steps
  std::map<std::string_view, std::string> prints;  // fingerprint of each product, by its name
  bool reused = false;                             // its pixels were not encoded again
  bool faulty = false;                             // left out; the reason is in result.findings
  ImageResult result;
  EncodedFile encoded;
  refine::ImageFeatures features;  // check --all: few, of the image as it was shot

  // Relative to the workspace.
  [[nodiscard]] std::string image_path() const {
    return "prepared/images/" + station.name + extension_of(result.type);
  }
  [[nodiscard]] std::string encoded_path() const {
    return ".trunnion/encoded/" + station.name + extension_of(result.type);
  }
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
  std::unique_ptr<exposure::SetIllumination> illumination =
      std::make_unique<exposure::SetIllumination>();
  undistort::UndistortMap map{};
  std::vector<ImageItem> items{};  // less faulty ones; prepare: one a view of the scene
  std::vector<compare_stations::RelativeMeasures>
      relative{};                 // one an item: exposure and sharpness among the stations
  std::vector<RingAxis> rings{};  // axes used by orient
  std::vector<refine::ProposedCapture> proposal{};  // what the images show; empty: as given
  mask_confidence::MaskConfidence confidence{};
  PrepareOutcome outcome{};  // outcome.scene: priors from orient on, refined poses after refine

  [[nodiscard]] const Settings& settings() const { return workspace.file.settings; }
  // check --all: which place every image shows.
  [[nodiscard]] bool checks_places() const {
    return job == Job::check && options.every_image && settings().refine.enabled;
  }
  void add(const Findings& findings) {
    outcome.findings.insert(outcome.findings.end(), findings.begin(), findings.end());
  }
};

// Relative to the workspace.
inline std::string mask_path(const ingest::StationImage& station, const OutputSettings& output) {
  return "prepared/masks/" + station.name + output.mask_suffix + ".png";
}

}  // namespace trunnion
