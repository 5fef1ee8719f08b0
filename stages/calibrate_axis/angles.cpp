#include "stages/calibrate_axis/angles.h"

#include <algorithm>
#include <cmath>

#include "core/median.h"

namespace trunnion::calibrate_axis {
namespace {

double largest_from_mean(const std::vector<double>& values, std::size_t first, std::size_t last) {
  double sum = 0;
  for (std::size_t i = first; i < last; ++i) sum += values[i];
  const double mean = sum / static_cast<double>(last - first);
  double largest = 0;
  for (std::size_t i = first; i < last; ++i)
    largest = std::max(largest, std::abs(values[i] - mean));
  return largest;
}

double mean_of(const std::vector<double>& values, std::size_t first, std::size_t last) {
  double sum = 0;
  for (std::size_t i = first; i < last; ++i) sum += values[i];
  return sum / static_cast<double>(last - first);
}

}  // namespace

AngleCheck check_angles(const std::vector<double>& given, const std::vector<double>& measured,
                        double tolerance) {
  AngleCheck check;
  const std::size_t count = given.size();
  std::vector<double> difference(count);
  for (std::size_t i = 0; i < count; ++i) difference[i] = measured[i] - given[i];
  const double given_mean = mean_of(given, 0, count);
  const double measured_mean = mean_of(measured, 0, count);
  double covariance = 0;
  double variance = 0;
  for (std::size_t i = 0; i < count; ++i) {
    covariance += (given[i] - given_mean) * (measured[i] - measured_mean);
    variance += (given[i] - given_mean) * (given[i] - given_mean);
  }
  check.step_ratio = variance > 0 ? covariance / variance : 1.0;
  if (largest_from_mean(difference, 0, count) <= tolerance) return check;

  double off_line = 0;
  for (std::size_t i = 0; i < count; ++i) {
    off_line = std::max(off_line, std::abs(measured[i] - measured_mean -
                                           check.step_ratio * (given[i] - given_mean)));
  }
  if (off_line <= tolerance) {
    check.fault = check.step_ratio < 0 ? AxisFault::wrong_sign : AxisFault::wrong_step;
    return check;
  }
  // One station alone, at any place; then everything from one station on.
  const double usual = median_of(difference);
  std::vector<std::size_t> off;
  for (std::size_t i = 0; i < count; ++i) {
    if (std::abs(difference[i] - usual) > tolerance) off.push_back(i);
  }
  if (off.size() == 1 && count >= 4 && off[0] + 1 < count) {
    check.fault = AxisFault::wrong_angle;
    check.station = off[0];
    check.size = difference[off[0]] - usual;
    return check;
  }
  for (std::size_t k = 1; k < count; ++k) {
    if (largest_from_mean(difference, 0, k) > tolerance) continue;
    if (largest_from_mean(difference, k, count) > tolerance) continue;
    check.fault = AxisFault::slipped;
    check.station = k;
    check.size = mean_of(difference, k, count) - mean_of(difference, 0, k);
    return check;
  }
  check.fault = check.step_ratio < 0 ? AxisFault::wrong_sign : AxisFault::unclear;
  return check;
}

}  // namespace trunnion::calibrate_axis
