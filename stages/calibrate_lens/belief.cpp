#include <algorithm>
#include <array>

#include "stages/calibrate_lens/calibrate_lens.h"

namespace trunnion::calibrate_lens {
namespace {

// So wide that a board image says all: e (a share of itself), aspect, principal point, k1, k2, p1,
// p2, k3 in the units of model.h, log scale, skew.
constexpr double kWideE = 0.5;
constexpr std::array<double, kCameraSize> kWide{0, 0.05, 0.2, 0.2, 1, 5, 0.05, 0.05, 20, 0.5, 0};

CameraBelief by_setup(const LensResult& result) {
  const Fit& fit = result.fit;
  const auto free = free_parameters(fit.model);
  const auto held = holding_sigmas(fit.model);
  CameraVector mean = fit.camera;
  CameraVector sigma = CameraVector::Zero();
  for (int i = 0; i < kCameraSize; ++i) {
    const auto k = static_cast<std::size_t>(i);
    if (!free[k]) continue;
    sigma[i] = held[k] > 0 ? held[k] : kWide[k];
    if (held[k] > 0) mean[i] = 0;
  }
  if (free[kE]) {
    sigma[kE] = kWideE * mean[kE];
    if (result.prior) {
      mean[kE] = fit.frame.rho() / result.prior->principal_distance_px;
      sigma[kE] = mean[kE] * result.prior->sigma_fraction;
    }
  }
  const auto jacobian = to_camera_jacobian(fit.frame, fit.model, mean);
  return {to_camera(fit.frame, fit.model, mean),
          jacobian * sigma.array().square().matrix().asDiagonal() * jacobian.transpose()};
}

}  // namespace

CameraBelief belief_without(const LensResult& result, const std::vector<char>& left_out) {
  std::vector<Corners> boards = result.boards;
  int left = 0;
  for (std::size_t v = 0; v < boards.size(); ++v) {
    if (left_out[v] != 0) {
      std::fill(boards[v].used.begin(), boards[v].used.end(), static_cast<char>(0));
    }
    left += boards[v].used_count() > 0 ? 1 : 0;
  }
  if (left < 3) return by_setup(result);
  FitOptions options;
  options.prior = result.prior;
  const Fit fit = fit_from(result.fit, result.model, boards, options);
  const Uncertainty uncertainty = uncertainty_of(fit, boards, options.prior);
  if (!uncertainty.regular) return by_setup(result);
  const auto jacobian = to_camera_jacobian(fit.frame, fit.model, fit.camera);
  return {to_camera(fit.frame, fit.model, fit.camera),
          jacobian * uncertainty.covariance * jacobian.transpose()};
}

}  // namespace trunnion::calibrate_lens
