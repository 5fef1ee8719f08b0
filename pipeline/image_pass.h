// The streaming pass: each image is decoded once, repaired, masked, undistorted, encoded, and its
// features and small pictures are taken while it is in memory. A bounded oneTBB pipeline keeps at
// most one image a worker in flight, and one more that arrives while that is written; results stay
// in the order of the set. Finished files are
// brought to the disk and recorded by a thread of their own.
#pragma once

#include <string>
#include <vector>

#include "core/finding.h"
#include "core/mask_measures.h"
#include "core/survey_result.h"
#include "core/view_measures.h"
#include "pipeline/decoded_images.h"
#include "pipeline/journal.h"
#include "pipeline/output_store.h"
#include "pipeline/progress.h"
#include "pipeline/workspace.h"
#include "stages/ingest.h"
#include "stages/undistort.h"

namespace trunnion {

// What the pass leaves behind of one image; kept in the journal, so it must stay small. Features
// and pictures stay in the journal until they are asked for.
struct ImageResult {
  FileType type = FileType::tiff;
  int channels = 3;
  int bits = 8;
  int spots_repaired = 0;
  bool user_mask = false;      // a mask painted by the user changed the result
  cv::Mat before_subtraction;  // see Painted
  std::uintmax_t encoded_bytes = 0;
  std::int64_t encoded_modified_ns = 0;
  std::string encoded_head;  // first bytes; take_pixels (finish_images.cpp)
  MaskMeasures mask;
  ViewMeasures view;
  Findings findings;
};

struct ImageItem {
  StationImage station;
  std::string input_hash;
  std::string fingerprint;  // of the pixel work
  bool reused = false;      // nothing had to be done
  bool faulty = false;      // left out; the reason is in result.findings
  ImageResult result;

  [[nodiscard]] std::string image_path() const;    // relative to the workspace
  [[nodiscard]] std::string encoded_path() const;  // relative to the workspace
};

struct ImagePass {
  const Workspace& workspace;
  const SurveyResult& survey;
  std::string survey_fingerprint;
  const UndistortMap& map;
  Journal& journal;
  OutputStore& outputs;
  DecodedImages& decoded;
  Progress& progress;
  int jobs = 1;
};

// Output file type of an image by the settings. Throws a data error where JPEG can't hold it.
FileType output_type(const StationImage& station, const OutputSettings& output);
std::string mask_path(const StationImage& station, const OutputSettings& output);

// Runs the pass; faulty images are marked, the others complete.
void run_image_pass(std::vector<ImageItem>& items, const ImagePass& pass);

// Features and pictures of an image as recorded by the pass.
std::string recorded_features(Journal& journal, const ImageItem& item);
std::string recorded_pictures(Journal& journal, const ImageItem& item);

}  // namespace trunnion
