#include "pipeline/capture_check.h"

#include <tbb/parallel_for.h>

#include "config/capture_plan.h"
#include "core/files.h"
#include "pipeline/interrupt.h"
#include "stages/mask.h"
#include "stages/plan_check.h"
#include "stages/repair.h"

namespace trunnion {
namespace {

MaskCoverage coverage_from(const MaskMeasures& mask, const ImageInfo& info) {
  MaskCoverage coverage;
  coverage.fraction = mask.area_px / (static_cast<double>(info.width_px) * info.height_px);
  coverage.box_px = mask.box_px;
  coverage.touches_left = mask.touches_left;
  coverage.touches_right = mask.touches_right;
  coverage.touches_top = mask.touches_top;
  coverage.touches_bottom = mask.touches_bottom;
  return coverage;
}

struct OneLook {
  MaskMeasures mask;
  Findings findings;
};

OneLook look_at(const Workspace& workspace, const StationImage& station,
                const SurveyResult& survey) {
  const Settings& settings = workspace.file.settings;
  cv::Mat image = read_image(station.file, image_limits(settings.limits));
  repair(image, survey.spots, settings.repair);
  const MaskResult mask =
      make_mask(image, survey, settings.mask, workspace.setup.object_pixel_um() / 1000.0);
  return {mask.measures,
          blur_band_findings(find_blur_bands(image, mask.coverage, kBlurBands), station.source)};
}

}  // namespace

Findings check_against_plan(const Workspace& workspace, const std::vector<StationImage>& images,
                            const SurveyResult& survey,
                            const std::vector<CaptureMeasure>& measures) {
  const fs::path file = workspace.root / "plan.json";
  if (!fs::exists(file)) return {};
  std::vector<ReturnedImage> returned;
  for (const StationImage& image : images) {
    ReturnedImage item;
    item.file = image.source;
    item.ring = image.ring;
    item.station = image.station;
    item.stage_angle = image.stage_angle;
    returned.push_back(item);
  }
  for (const Exposure& exposure : survey.exposures) {
    if (exposure.image >= returned.size()) continue;
    ReturnedImage& item = returned[exposure.image];
    item.exposure_level = exposure.level;
    item.clipped_high = exposure.clipped_high;
    item.sharpness = exposure.sharpness;
  }
  for (const CaptureMeasure& measure : measures) {
    if (measure.image < returned.size())
      returned[measure.image].coverage = coverage_from(measure.mask, images[measure.image].info);
  }
  return compare_with_plan(read_plan(file), workspace.setup.name, returned);
}

CloserLook look_closer(const Workspace& workspace, const std::vector<StationImage>& images,
                       const SurveyResult& survey, Progress& progress) {
  progress.start("mask and sharpness", survey.exposures.size());
  std::vector<OneLook> looks(survey.exposures.size());
  tbb::parallel_for(std::size_t{0}, looks.size(), [&](std::size_t i) {
    if (interrupted()) return;
    looks[i] = look_at(workspace, images[survey.exposures[i].image], survey);
    progress.step();
  });
  check_interrupt();
  CloserLook result;
  for (std::size_t i = 0; i < looks.size(); ++i) {
    result.measures.push_back({survey.exposures[i].image, looks[i].mask});
    result.findings.insert(result.findings.end(), looks[i].findings.begin(),
                           looks[i].findings.end());
  }
  progress.finish();
  return result;
}

}  // namespace trunnion
