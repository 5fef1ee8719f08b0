// Compares what came back over the stations and with the plan, and looks for zones that no slice
// had in focus.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "core/finding.h"
#include "core/mask_measures.h"
#include "core/survey_result.h"
#include "core/view_measures.h"
#include "pipeline/workspace.h"
#include "stages/blur_bands/blur_bands.h"
#include "stages/compare_stations/compare_stations.h"
#include "stages/ingest/ingest.h"
#include "stages/refine/refine.h"

namespace trunnion {

// What was measured of one image of the set.
struct CaptureMeasure {
  std::size_t image = 0;  // index into the set's images
  MaskMeasures mask;      // area 0 where no mask was made
  ViewMeasures view;
};

struct CaptureCheck {
  Findings findings;
  std::vector<compare_stations::RelativeMeasures> relative;  // one a measure, in their order
};

// Exposure and sharpness over the stations; and, where there is one, against WORKSPACE/plan.json.
CaptureCheck check_capture(const Workspace& workspace,
                           const std::vector<ingest::StationImage>& images,
                           const std::vector<CaptureMeasure>& measures);

// Spread of the outlines (stages/edge_spread), 0 where too few are steps. The tone curve is the
// file's, or the one that the settings choose.
double outline_spread_px(const cv::Mat& image, const cv::Mat& coverage,
                         const std::filesystem::path& file, ToneCurveChoice curve);

// The detail that the fused images have: the median over those in which it could be measured. Of
// the object, um.
std::optional<double> measured_detail_um(const std::vector<ViewMeasures>& views,
                                         double object_pixel_um);

// The detail that WORKSPACE/plan.json expects, um; nothing where there is no plan.
std::optional<double> planned_detail_um(const Workspace& workspace);

// A doubt where a zone of the specimen is blurred. `image`: repaired, before undistortion.
Findings blurred_zones(const cv::Mat& image, const cv::Mat& coverage, const SurveyResult& survey,
                       const ViewMeasures& view, const std::string& file);

// Few of them, found on a small level: enough to see which place an image shows.
refine::ImageFeatures features_for_check(const cv::Mat& image, const cv::Mat& coverage,
                                         RefineSettings settings);

// The doubt about a truncated image that the settings let pass. `missing`: see read_image.
Finding truncated(const std::string& source, const cv::Rect& missing);

}  // namespace trunnion
