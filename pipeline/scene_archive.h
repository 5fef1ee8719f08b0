// What the journal keeps of a scene and of the judgement, as lists of fields for archive.h.
#pragma once

#include <vector>

#include "core/scene.h"
#include "pipeline/archive.h"
#include "stages/report/report.h"

namespace trunnion {

template <typename Archive, typename Matrix>
void archive_matrix(Archive& archive, Matrix& matrix) {
  for (Eigen::Index i = 0; i < matrix.size(); ++i) archive(matrix.data()[i]);
}

template <typename Archive>
void archive_camera(Archive& archive, Camera& camera) {
  archive(camera.projection);
  archive(camera.width_px);
  archive(camera.height_px);
  archive(camera.fx);
  archive(camera.fy);
  archive(camera.cx);
  archive(camera.cy);
  archive(camera.distortion);
}

template <typename Archive>
void archive_view(Archive& archive, View& view) {
  for (std::string* text :
       {&view.name, &view.image_file, &view.mask_file, &view.source_file, &view.ring}) {
    archive(*text);
  }
  archive(view.station);
  archive(view.stage_angle);
  archive(view.sigma_stage_angle);
  archive(view.tilt);
  archive(view.reference_mm);
  archive(view.sigma_reference_mm);
  for (Pose* pose : {&view.prior, &view.pose}) {
    archive_matrix(archive, pose->R);
    archive_matrix(archive, pose->t);
  }
  archive_matrix(archive, view.prior_covariance);
  archive_matrix(archive, view.covariance);
  archive(view.state);
}

template <typename Archive>
void archive_scene(Archive& archive, Scene& scene) {
  archive(scene.title);
  for (const RecordTerm& term : kRecordTerms) archive(scene.record.*term.field);
  archive(scene.setup_name);
  archive_camera(archive, scene.camera);
  archive_camera(archive, scene.source_camera);
  archive(scene.pixel_pitch_um);
  archive(scene.lens_calibrated);
  archive(scene.axis_calibrated);
  archive(scene.refined);
  archive(scene.calibration_hash);
  archive.list(scene.views, [](auto& a, View& view) { archive_view(a, view); });
  archive.list(scene.tie_points, [](auto& a, TiePoint& point) {
    archive_matrix(a, point.position_mm);
    archive_matrix(a, point.covariance);
    a(point.rgb);
    a.list(point.observations, [](auto& b, Observation& seen) {
      b(seen.view);
      archive_matrix(b, seen.position_px);
      b(seen.residual_px);
    });
  });
}

template <typename Archive>
void archive_to_do(Archive& archive, std::vector<report::ToDo>& list) {
  archive.list(list, [](auto& a, report::ToDo& item) {
    a(item.severity);
    for (std::string* text : {&item.where, &item.view, &item.anchor, &item.what, &item.remedy}) {
      a(*text);
    }
  });
}

template <typename Archive>
void archive_judgement(Archive& archive, report::Judgement& judgement) {
  archive(judgement.verdict);
  archive(judgement.sentence);
  archive_to_do(archive, judgement.to_do);
  archive_to_do(archive, judgement.notes);
}

}  // namespace trunnion
