#include "stages/refine/rig.h"

#include <Eigen/Eigenvalues>
#include <Eigen/LU>
#include <algorithm>
#include <cmath>

#include "core/error.h"

namespace trunnion::refine {
namespace {

// W with W^T W = covariance^-1; directions without variance are held to a millionth of the unit.
template <int N>
Eigen::Matrix<double, N, N> sqrt_information_of(const Eigen::Matrix<double, N, N>& covariance) {
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix<double, N, N>> eigen(covariance);
  Eigen::Vector<double, N> inverse;
  for (int i = 0; i < N; ++i) {
    inverse[i] = 1.0 / std::sqrt(std::max(eigen.eigenvalues()[i], 1e-14));
  }
  return inverse.asDiagonal() * eigen.eigenvectors().transpose();
}

// The earlier ring that a ring shares its axis with: the same axis, one of the two tilted.
std::size_t axis_owner(const std::vector<RingAxis>& rings, std::size_t r) {
  for (std::size_t k = 0; k < r; ++k) {
    const bool same = rings[k].axis.direction == rings[r].axis.direction &&
                      rings[k].axis.origin_mm == rings[r].axis.origin_mm;
    if (same && (tilts(rings[k]) || tilts(rings[r]))) return k;
  }
  return r;
}

SecondAxis second_axis(const std::vector<RingAxis>& rings) {
  SecondAxis second;
  for (const RingAxis& ring : rings) {
    if (!tilts(ring)) continue;
    const TiltAxis& axis = ring.tilt.axis;
    second.exists = true;
    second.kind = axis.kind;
    second.prior = {axis.azimuth, axis.inclination, axis.across_mm, axis.height_mm};
    second.sqrt_information = sqrt_information_of<4>(ring.tilt.covariance.topLeftCorner<4, 4>());
    if (!ring.tilt.covariance.isZero()) break;
  }
  return second;
}

}  // namespace

RigModel make_model(const Scene& prior, const std::vector<RingAxis>& rings, bool free_distance,
                    const RigPriors& priors) {
  RigModel model;
  model.camera = ideal(prior.camera);
  model.free_distance = free_distance && prior.camera.projection == Projection::perspective;
  model.sigma_log_distance = priors.sigma_log_distance;
  // A calibrated azimuth is as good as a stage angle; the loss of its prior lets it go where the
  // camera has been moved since.
  double sigma_azimuth_offset = priors.sigma_azimuth_offset;
  if (prior.axis_calibrated && !prior.views.empty()) {
    sigma_azimuth_offset = std::min(sigma_azimuth_offset, prior.views.front().sigma_stage_angle);
  }
  for (const RingAxis& ring : rings) {
    RingModel entry;
    entry.prior = ring.axis;
    entry.prior.direction.normalize();
    entry.stage_R = camera_from_stage(entry.prior, model.telecentric()).R;
    entry.sqrt_information = sqrt_information_of<5>(ring.covariance);
    entry.sigma_azimuth_offset = sigma_azimuth_offset;
    entry.axis = axis_owner(rings, model.rings.size());
    entry.sigma_tilt = std::sqrt(ring.tilt.covariance(4, 4));
    model.rings.push_back(entry);
  }
  model.second = second_axis(rings);
  for (const View& view : prior.views) {
    const auto ring = std::find_if(rings.begin(), rings.end(),
                                   [&](const RingAxis& r) { return r.ring == view.ring; });
    if (ring == rings.end()) throw data_error("Ring \"" + view.ring + "\" has no rotation axis.");
    StationModel station;
    station.ring = static_cast<std::size_t>(ring - rings.begin());
    station.axis = model.rings[station.ring].axis;
    station.stage_angle = view.stage_angle + ring->azimuth;
    station.sigma_angle = std::max(view.sigma_stage_angle, 1e-7);
    station.tilt = view.tilt;
    station.back_mm = view.reference_mm;
    model.stations.push_back(station);
  }
  return model;
}

RigValues zero_values(const RigModel& model) {
  RigValues values;
  values.axis.assign(model.rings.size(), AxisStep{});
  values.azimuth_offset.assign(model.rings.size(), 0.0);
  values.angle.assign(model.stations.size(), 0.0);
  values.tilt.assign(model.rings.size(), 0.0);
  return values;
}

Eigen::MatrixXd prior_covariance(const RigModel& model) {
  const ParameterIndex index(model);
  Eigen::MatrixXd covariance = Eigen::MatrixXd::Zero(index.size(), index.size());
  for (std::size_t r = 0; r < model.rings.size(); ++r) {
    if (model.rings[r].axis == r) {
      const Eigen::Matrix<double, 5, 5> W_inverse = model.rings[r].sqrt_information.inverse();
      covariance.block<5, 5>(index.axis(r), index.axis(r)) = W_inverse * W_inverse.transpose();
    }
    covariance(index.tilt(r), index.tilt(r)) =
        model.rings[r].sigma_tilt * model.rings[r].sigma_tilt;
    const double sigma = r == 0 ? 0.0 : model.rings[r].sigma_azimuth_offset;
    covariance(index.azimuth_offset(r), index.azimuth_offset(r)) = sigma * sigma;
  }
  if (model.second.exists) {
    const Eigen::Matrix4d W_inverse = model.second.sqrt_information.inverse();
    covariance.block<4, 4>(index.line(), index.line()) = W_inverse * W_inverse.transpose();
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
    result.azimuth_offset[r] += step[index.azimuth_offset(r)];
    result.tilt[r] += step[index.tilt(r)];
  }
  for (std::size_t v = 0; v < model.stations.size(); ++v) {
    result.angle[v] += step[index.angle(v)];
  }
  result.log_distance += step[index.log_distance()];
  for (int k = 0; k < 4; ++k) result.line[static_cast<std::size_t>(k)] += step[index.line() + k];
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
  const std::size_t owner = model.rings[ring].axis;
  const AxisStep& step = values.axis[owner];
  Axis axis = model.rings[owner].prior;
  const Eigen::Vector3d rotation =
      model.rings[owner].stage_R.col(0) * step[0] + model.rings[owner].stage_R.col(1) * step[1];
  axis.direction = rig::rotation_from_vector<double>(rotation) * axis.direction;
  axis.origin_mm += Eigen::Vector3d(step[2], step[3], step[4]);
  return axis;
}

Pose pose_of(const RigModel& model, const RigValues& values, std::size_t view) {
  const StationModel& station = model.stations[view];
  Pose pose;
  const StationSteps<double> steps{
      values.axis[station.axis].data(),
      station.stage_angle + values.azimuth_offset[station.ring] + values.angle[view],
      values.tilt[station.ring], values.line.data(),
      station.bumped ? values.mount.data() : nullptr};
  rig_pose<double>(model, station, steps, pose.R, pose.t);
  return pose;
}

}  // namespace trunnion::refine
