#include "pipeline/report_data.h"

#include <ceres/version.h>
#include <fmt/format.h>

#include <exiv2/exiv2.hpp>
#include <opencv2/core/version.hpp>

namespace trunnion {
namespace {

ReportView view_of(const Finishing& set, const ImageItem& item, const View& view,
                   const MaskScore* score) {
  ReportView result;
  result.name = view.name;
  result.ring = view.ring;
  result.station = view.station;
  result.stage_angle = view.stage_angle;
  result.source_file = view.source_file;
  result.image_file = view.image_file;
  result.mask_file = view.mask_file;
  result.source_hash = item.input_hash;
  if (set.workspace.file.settings.mask.enabled) {
    const double pixels = static_cast<double>(item.station.info.width_px) *
                          static_cast<double>(item.station.info.height_px);
    result.mask_area = item.result.mask.area_px / pixels;
  }
  if (score != nullptr) result.mask_confidence = score->score;
  result.spots_repaired = item.result.spots_repaired;
  const std::string pictures = recorded_pictures(set.journal, item);
  if (!pictures.empty()) result.pictures = unpack_thumbnails(pictures);
  return result;
}

std::vector<ReportFact> settings_of(const Settings& settings) {
  std::vector<ReportFact> facts;
  for (const auto& [table, text] : settings.written) {
    facts.push_back({table, text.empty() ? "defaults" : text});
  }
  return facts;
}

std::vector<ReportFact> versions() {
  return {{"trunnion", TRUNNION_VERSION},
          {"OpenCV", CV_VERSION},
          {"Ceres Solver", CERES_VERSION_STRING},
          {"Eigen",
           fmt::format("{}.{}.{}", EIGEN_WORLD_VERSION, EIGEN_MAJOR_VERSION, EIGEN_MINOR_VERSION)},
          {"Exiv2", Exiv2::versionString()}};
}

}  // namespace

ReportData report_data(const Finishing& set, const PrepareOutcome& outcome,
                       const MaskConfidence& confidence) {
  ReportData data;
  data.title = outcome.title;
  data.findings = outcome.findings;
  for (std::size_t i = 0; i < set.items.size(); ++i) {
    const MaskScore* score = i < confidence.scores.size() ? &confidence.scores[i] : nullptr;
    ReportView view = view_of(set, set.items[i], outcome.scene.views[i], score);
    view.exposure = set.looks[i].exposure;
    view.sharpness = set.looks[i].sharpness;
    data.views.push_back(std::move(view));
  }
  if (!set.survey.backdrop.empty()) {
    data.backdrop_jpeg = backdrop_picture(set.survey.backdrop, set.survey.full_scale);
  }
  for (const Spot& spot : set.survey.spots) {
    data.spots.push_back({spot.x_px, spot.y_px, spot.diameter_px, spot.contrast});
  }
  const Workspace& workspace = set.workspace;
  data.setup_name = workspace.setup.name;
  data.calibration = workspace.record;
  if (workspace.record) {
    data.calibration_mismatches =
        mismatches(*workspace.record, workspace.setup, workspace.file.specimen.tells_reference());
  }
  data.settings = settings_of(workspace.file.settings);
  data.versions = versions();
  data.hashes = {{"specimen.toml", workspace.specimen_hash}, {"setup", workspace.setup_hash}};
  if (workspace.record) data.hashes.push_back({"calibration", workspace.record->hash});
  for (const auto& [stage, seconds] : outcome.seconds) {
    const bool per_image = stage == "repair, mask, undistort" || stage == "annotate";
    data.timings.push_back({stage, seconds, per_image ? outcome.images_prepared : 0});
  }
  data.date = set.date;
  add_scene(data, outcome.scene);
  add_rings(data, workspace.file.specimen);
  return data;
}

}  // namespace trunnion
