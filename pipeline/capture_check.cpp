#include "pipeline/capture_check.h"

#include <fmt/format.h>

#include <algorithm>

#include "config/capture_plan.h"
#include "core/files.h"
#include "core/metadata.h"
#include "stages/edge_spread/edge_spread.h"
#include "stages/exposure/exposure.h"
#include "stages/plan_check/plan_check.h"

namespace trunnion {
namespace {

plan_check::MaskCoverage coverage_from(const MaskMeasures& mask, const ImageInfo& info) {
  plan_check::MaskCoverage coverage;
  coverage.fraction = mask.area_px / (static_cast<double>(info.width_px) * info.height_px);
  coverage.box_px = mask.box_px;
  coverage.touches_left = mask.touches_left;
  coverage.touches_right = mask.touches_right;
  coverage.touches_top = mask.touches_top;
  coverage.touches_bottom = mask.touches_bottom;
  return coverage;
}

Findings against_plan(const Workspace& workspace, const std::vector<ingest::StationImage>& images,
                      const std::vector<CaptureMeasure>& measures) {
  const fs::path file = workspace.root / "plan.json";
  if (!fs::exists(file)) return {};
  std::vector<plan_check::ReturnedImage> returned;
  for (const ingest::StationImage& image : images) {
    returned.push_back({image.source, {image.ring, image.station, image.stage_angle}, {}});
  }
  if (workspace.file.settings.mask.enabled) {
    for (const CaptureMeasure& measure : measures) {
      returned[measure.image].coverage = coverage_from(measure.mask, images[measure.image].info);
    }
  }
  return plan_check::compare_with_plan(read_plan(file), workspace.setup.name, returned);
}

constexpr double kSofter = 1.25;  // than planned: more is not explained by how it is measured

Findings softer_than_planned(const Workspace& workspace,
                             const std::vector<CaptureMeasure>& measures) {
  std::vector<ViewMeasures> views;
  for (const CaptureMeasure& measure : measures) views.push_back(measure.view);
  const auto measured = measured_detail_um(views, workspace.setup.object_pixel_um());
  if (!measured) return {};
  const auto planned = planned_detail_um(workspace);
  if (!planned || *measured <= kSofter * *planned) return {};
  return {{Severity::doubt, "sharpness", "",
           fmt::format("The outlines show a detail of {:.3g} um; the plan expects {:.3g} um.",
                       *measured, *planned),
           "Check focus step, aperture and vibrations, and the settings of the fusing program; "
           "an outline that is rounded or out of the range of the series looks softer, too."}};
}

}  // namespace

double outline_spread_px(const cv::Mat& image, const cv::Mat& coverage, const fs::path& file,
                         ToneCurveChoice choice) {
  const exposure::FoundCurve found = exposure::curve_of(read_metadata(file), choice);
  std::vector<float> light(65536);
  for (std::size_t i = 0; i < light.size(); ++i) {
    light[i] = static_cast<float>(found.curve.light(static_cast<double>(i) / 65535.0));
  }
  return edge_spread::measure_edge_spread(image, coverage, light).sigma_px;
}

std::optional<double> measured_detail_um(const std::vector<ViewMeasures>& views,
                                         double object_pixel_um) {
  std::vector<double> sigmas;
  for (const ViewMeasures& view : views) {
    if (view.edge_sigma_px > 0) sigmas.push_back(view.edge_sigma_px);
  }
  if (sigmas.empty()) return std::nullopt;
  const auto middle = sigmas.begin() + static_cast<std::ptrdiff_t>(sigmas.size() / 2);
  std::nth_element(sigmas.begin(), middle, sigmas.end());
  return edge_spread::detail_px(*middle) * object_pixel_um;
}

std::optional<double> planned_detail_um(const Workspace& workspace) {
  const fs::path file = workspace.root / "plan.json";
  if (!fs::exists(file)) return std::nullopt;
  return read_plan(file).chosen.resolution_um;
}

CaptureCheck check_capture(const Workspace& workspace,
                           const std::vector<ingest::StationImage>& images,
                           const std::vector<CaptureMeasure>& measures) {
  std::vector<compare_stations::MeasuredStation> stations;
  for (const CaptureMeasure& measure : measures) {
    const ingest::StationImage& image = images[measure.image];
    stations.push_back(
        {image.source, {image.ring, image.station, image.stage_angle}, measure.view});
  }
  compare_stations::StationComparison compared = compare_stations::compare_stations(stations);
  CaptureCheck result{std::move(compared.findings), std::move(compared.relative)};
  const Findings planned = against_plan(workspace, images, measures);
  result.findings.insert(result.findings.end(), planned.begin(), planned.end());
  const Findings softer = softer_than_planned(workspace, measures);
  result.findings.insert(result.findings.end(), softer.begin(), softer.end());
  return result;
}

refine::ImageFeatures features_for_check(const cv::Mat& image, const cv::Mat& coverage,
                                         RefineSettings settings) {
  constexpr double kMegapixels = 0.5;
  constexpr int kMostFeatures = 1500;
  settings.level_megapixels = std::min(settings.level_megapixels, kMegapixels);
  settings.max_features = std::min(settings.max_features, kMostFeatures);
  refine::ImageFeatures features = refine::extract_features(image, coverage, settings);
  features.level.release();
  return features;
}

Finding truncated(const std::string& source, const cv::Rect& missing) {
  return {
      Severity::doubt, "image", source,
      fmt::format("{} is truncated: {} x {} pixels at ({}, {}) are missing; they are filled and "
                  "left out of the mask.",
                  source, missing.width, missing.height, missing.x, missing.y),
      "Export this image again; until then limits.tolerate_truncated lets it pass."};
}

Findings blurred_zones(const cv::Mat& image, const cv::Mat& coverage, const SurveyResult& survey,
                       const ViewMeasures& view, const std::string& file) {
  const double level = view.backdrop_level > 0 ? view.backdrop_level : 1.0;
  const cv::Mat backdrop = survey.backdrop * (level / survey.full_scale);
  return blur_bands::blur_band_findings(blur_bands::find_blur_bands(image, coverage, backdrop),
                                        file);
}

}  // namespace trunnion
