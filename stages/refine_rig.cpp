#include "stages/refine_rig.h"

#include <Eigen/Eigenvalues>
#include <Eigen/LU>
#include <algorithm>
#include <cmath>

#include "core/error.h"

namespace trunnion::refining {
namespace {

// W with W^T W = covariance^-1; directions without variance are held to a millionth of the unit.
Eigen::Matrix<double, 5, 5> sqrt_information_of(const AxisCovariance& covariance) {
  const Eigen::SelfAdjointEigenSolver<AxisCovariance> eigen(covariance);
  Eigen::Vector<double, 5> inverse;
  for (int i = 0; i < 5; ++i) {
    inverse[i] = 1.0 / std::sqrt(std::max(eigen.eigenvalues()[i], 1e-14));
  }
  return inverse.asDiagonal() * eigen.eigenvectors().transpose();
}

}  // namespace

RigModel make_model(const Scene& prior, const std::vector<RingAxis>& rings, bool free_distance,
                    const RigPriors& priors) {
  RigModel model;
  model.camera = ideal(prior.camera);
  model.free_distance = free_distance && prior.camera.projection == Projection::perspective;
  model.sigma_log_distance = priors.sigma_log_distance;
  for (const RingAxis& ring : rings) {
    RingModel entry;
    entry.prior = ring.axis;
    entry.prior.direction.normalize();
    entry.stage_R = camera_from_stage(entry.prior, model.telecentric()).R;
    entry.sqrt_information = sqrt_information_of(ring.covariance);
    entry.sigma_start = priors.sigma_start;
    model.rings.push_back(entry);
  }
  for (const View& view : prior.views) {
    const auto ring = std::find_if(rings.begin(), rings.end(),
                                   [&](const RingAxis& r) { return r.ring == view.ring; });
    if (ring == rings.end()) throw data_error("Ring \"" + view.ring + "\" has no rotation axis.");
    model.stations.push_back({static_cast<std::size_t>(ring - rings.begin()), view.stage_angle,
                              std::max(view.sigma_stage_angle, 1e-7), false});
  }
  return model;
}

RigValues zero_values(const RigModel& model) {
  RigValues values;
  values.axis.assign(model.rings.size(), AxisStep{});
  values.start.assign(model.rings.size(), 0.0);
  values.angle.assign(model.stations.size(), 0.0);
  return values;
}

Eigen::MatrixXd prior_covariance(const RigModel& model) {
  const ParameterIndex index(model);
  Eigen::MatrixXd covariance = Eigen::MatrixXd::Zero(index.size(), index.size());
  for (std::size_t r = 0; r < model.rings.size(); ++r) {
    const Eigen::Matrix<double, 5, 5> W_inverse = model.rings[r].sqrt_information.inverse();
    covariance.block<5, 5>(index.axis(r), index.axis(r)) = W_inverse * W_inverse.transpose();
    const double sigma = r == 0 ? 0.0 : model.rings[r].sigma_start;
    covariance(index.start(r), index.start(r)) = sigma * sigma;
  }
  for (std::size_t v = 0; v < model.stations.size(); ++v) {
    const double sigma = model.stations[v].sigma_angle;
    covariance(index.angle(v), index.angle(v)) = sigma * sigma;
  }
  if (model.free_distance) {
    covariance(index.log_distance(), index.log_distance()) =
        model.sigma_log_distance * model.sigma_log_distance;
  }
  return covariance;
}

RigValues moved(const RigModel& model, const RigValues& values, const Eigen::VectorXd& step) {
  const ParameterIndex index(model);
  RigValues result = values;
  for (std::size_t r = 0; r < model.rings.size(); ++r) {
    for (int k = 0; k < 5; ++k) {
      result.axis[r][static_cast<std::size_t>(k)] += step[index.axis(r) + k];
    }
    result.start[r] += step[index.start(r)];
  }
  for (std::size_t v = 0; v < model.stations.size(); ++v) {
    result.angle[v] += step[index.angle(v)];
  }
  result.log_distance += step[index.log_distance()];
  for (int k = 0; k < 6; ++k) {
    result.mount[static_cast<std::size_t>(k)] += step[index.mount() + k];
  }
  return result;
}

Camera camera_of(const RigModel& model, const RigValues& values) {
  Camera camera = model.camera;
  camera.fx *= std::exp(values.log_distance);
  camera.fy *= std::exp(values.log_distance);
  return camera;
}

Axis axis_of(const RigModel& model, const RigValues& values, std::size_t ring) {
  const AxisStep& step = values.axis[ring];
  Axis axis = model.rings[ring].prior;
  const Eigen::Vector3d rotation =
      model.rings[ring].stage_R.col(0) * step[0] + model.rings[ring].stage_R.col(1) * step[1];
  axis.direction = rig::rotation_from_vector<double>(rotation) * axis.direction;
  axis.origin_mm += Eigen::Vector3d(step[2], step[3], step[4]);
  return axis;
}

Pose pose_of(const RigModel& model, const RigValues& values, std::size_t view) {
  const StationModel& station = model.stations[view];
  Pose pose;
  rig_pose<double>(model.rings[station.ring], model.telecentric(), values.axis[station.ring].data(),
                   station.stage_angle + values.start[station.ring] + values.angle[view],
                   station.bumped ? values.mount.data() : nullptr, pose.R, pose.t);
  return pose;
}

Projection34 projection_matrix(const Camera& camera, const Pose& pose) {
  Projection34 extrinsic;
  extrinsic << pose.R, pose.t;
  if (camera.projection == Projection::telecentric) extrinsic.row(2) << 0, 0, 0, 1;
  Eigen::Matrix3d K;
  K << camera.fx, 0, camera.cx, 0, camera.fy, camera.cy, 0, 0, 1;
  return K * extrinsic;
}

Eigen::Matrix3d fundamental_matrix(const Projection34& a, const Projection34& b) {
  Eigen::Matrix3d F;
  for (int i = 0; i < 3; ++i) {
    for (int j = 0; j < 3; ++j) {
      Eigen::Matrix4d rows;
      rows.row(0) = a.row((i + 1) % 3);
      rows.row(1) = a.row((i + 2) % 3);
      rows.row(2) = b.row((j + 1) % 3);
      rows.row(3) = b.row((j + 2) % 3);
      F(j, i) = rows.determinant();
    }
  }
  return F / F.norm();
}

}  // namespace trunnion::refining
