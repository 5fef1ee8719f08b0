#include "stages/survey/speck.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "core/angle.h"

namespace trunnion::survey {
namespace {

constexpr double kSectorModel = 0.3;  // by how much a real speck's sectors may differ, of the depth
constexpr double kLeastRim = 0.25;
constexpr double kGreatestRim = 0.7;
constexpr double kDrawnOut = 16.0;  // gain in chi-squared from which a line explains more

double profile(double distance, const Speck& speck) {
  const double radius = 0.5 * speck.diameter;
  const double t = std::clamp(
      (distance - (1 - speck.softness) * radius) / (2 * speck.softness * radius), 0.0, 1.0);
  return 1 - t * t * (3 - 2 * t);
}

cv::Rect window_of(const StaticGradient& field, const Speck& speck, double reach) {
  const int left = static_cast<int>(std::floor(speck.centre.x - reach)) - 1;
  const int top = static_cast<int>(std::floor(speck.centre.y - reach)) - 1;
  const int side = 2 * static_cast<int>(std::ceil(reach)) + 3;
  return cv::Rect(left, top, side, side) & cv::Rect({0, 0}, field.x.size());
}

// Calls each(gradient of P, x, y, down) for the pixels of the field that the speck reaches.
template <typename Each>
void for_gradients(const StaticGradient& field, const Speck& speck, const Each& each) {
  const cv::Rect window = window_of(field, speck, reach_of(speck));
  if (window.empty()) return;
  std::vector<double> above(static_cast<std::size_t>(window.width) + 1);
  std::vector<double> below(above.size());
  // Most of a window lies inside or beyond the rim, where the profile is flat.
  const double inner = 0.5 * speck.diameter * (1 - speck.softness);
  const double outer = 0.5 * speck.diameter * (1 + speck.softness);
  const double cosine = std::cos(speck.angle);
  const double sine = std::sin(speck.angle);
  const auto fill = [&](std::vector<double>& row, int y) {
    const double v = y - speck.centre.y;
    for (std::size_t i = 0; i < row.size(); ++i) {
      const double u = window.x + static_cast<double>(i) - speck.centre.x;
      double along = u;
      double across = v;
      if (speck.half_length > 0) {
        along = std::max(0.0, std::abs(u * cosine + v * sine) - speck.half_length);
        across = v * cosine - u * sine;
      }
      const double r2 = along * along + across * across;
      row[i] = r2 <= inner * inner   ? 1.0
               : r2 >= outer * outer ? 0.0
                                     : profile(std::sqrt(r2), speck);
    }
  };
  fill(above, window.y);
  for (int y = window.y; y < window.br().y; ++y) {
    fill(below, y + 1);
    for (int x = window.x; x < window.br().x; ++x) {
      const auto i = static_cast<std::size_t>(x - window.x);
      if (above[i + 1] != above[i]) each(above[i + 1] - above[i], x, y, false);
      if (below[i] != above[i]) each(below[i] - above[i], x, y, true);
    }
    above.swap(below);
  }
}

struct Weighed {
  double product = 0;  // -sum W g grad P
  double information = 0;
};

Weighed weighed(const StaticGradient& field, const Speck& speck) {
  Weighed sums;
  for_gradients(field, speck, [&](double p, int x, int y, bool down) {
    const double w = (down ? field.weight_y : field.weight_x).at<float>(y, x);
    sums.product -= w * p * static_cast<double>((down ? field.y : field.x).at<float>(y, x));
    sums.information += w * p * p;
  });
  return sums;
}

std::size_t sector_of(double x, double y) {
  return static_cast<std::size_t>(std::floor((std::atan2(y, x) + kPi) / (kPi / 4) + 0.5)) % 8;
}

// Moves one parameter at a time as long as that adds strength.
void climb(const StaticGradient& field, double longest, Speck& speck) {
  double step = 0.5;
  for (int round = 0; round < 24 && step > 0.1 && length_of(speck) <= longest; ++round) {
    Speck best = speck;
    const auto attempt = [&](const auto& change) {
      Speck trial = speck;
      change(trial);
      if (trial.diameter < 1.2 || trial.diameter > 1.6 * speck.diameter) return;
      trial.softness = std::clamp(trial.softness, kLeastRim, kGreatestRim);
      weigh(field, trial);
      if (trial.strength > best.strength) best = trial;
    };
    for (const double by : {-step, step}) {
      attempt([by](Speck& s) { s.centre.x += by; });
      attempt([by](Speck& s) { s.centre.y += by; });
      attempt([by](Speck& s) { s.diameter *= std::exp(0.3 * by); });
      attempt([by](Speck& s) { s.softness *= std::exp(by); });
      if (speck.half_length <= 0) continue;
      attempt([by](Speck& s) { s.half_length *= std::exp(by); });
      attempt([by](Speck& s) { s.angle += 0.5 * by; });
    }
    if (best.strength > speck.strength) {
      speck = best;
    } else {
      step *= 0.5;
    }
  }
}

}  // namespace

double distance_from(const Speck& speck, double x, double y) {
  const double u = x - speck.centre.x;
  const double v = y - speck.centre.y;
  if (speck.half_length <= 0) return std::hypot(u, v);
  const double along = u * std::cos(speck.angle) + v * std::sin(speck.angle);
  const double across = v * std::cos(speck.angle) - u * std::sin(speck.angle);
  return std::hypot(std::max(0.0, std::abs(along) - speck.half_length), across);
}

double length_of(const Speck& speck) {
  return speck.diameter + 2 * speck.half_length;
}

double reach_of(const Speck& speck) {
  return 0.5 * speck.diameter * (1 + speck.softness) + speck.half_length;
}

double shadow_at(const Speck& speck, double x, double y) {
  return profile(distance_from(speck, x, y), speck);
}

cv::Mat gradient_of(const Speck& speck, int reach, bool down) {
  cv::Mat kernel(2 * reach + 1, 2 * reach + 1, CV_32FC1);
  for (int v = -reach; v <= reach; ++v) {
    for (int u = -reach; u <= reach; ++u) {
      const double next = shadow_at(speck, down ? u : u + 1, down ? v + 1 : v);
      kernel.at<float>(v + reach, u + reach) = static_cast<float>(next - shadow_at(speck, u, v));
    }
  }
  return kernel;
}

void weigh(const StaticGradient& field, Speck& speck) {
  const Weighed sums = weighed(field, speck);
  speck.depth = sums.information > 0 ? sums.product / sums.information : 0;
  speck.strength = sums.information > 0
                       ? std::abs(sums.product) / std::sqrt(sums.information) / speck.scatter
                       : 0;
}

Speck fit_speck(const StaticGradient& field, const Speck& start, double longest) {
  Speck round = start;
  weigh(field, round);
  climb(field, longest, round);
  Speck best;
  for (int k = 0; k < 8; ++k) {
    Speck line = round;
    line.angle = kPi * k / 8;
    line.half_length = 0.5 * round.diameter;
    weigh(field, line);
    if (line.strength > best.strength) best = line;
  }
  if (best.strength < 0.9 * round.strength) return round;
  climb(field, longest, best);
  const double gain = best.strength * best.strength - round.strength * round.strength;
  return gain > kDrawnOut ? best : round;
}

SpeckSupport support_of(const StaticGradient& field, const Speck& speck) {
  std::array<Weighed, 8> sums;
  for_gradients(field, speck, [&](double p, int x, int y, bool down) {
    const double w = (down ? field.weight_y : field.weight_x).at<float>(y, x);
    Weighed& sector = sums.at(sector_of(x + (down ? 0.0 : 0.5) - speck.centre.x,
                                        y + (down ? 0.5 : 0.0) - speck.centre.y));
    sector.product -= w * p * static_cast<double>((down ? field.y : field.x).at<float>(y, x));
    sector.information += w * p * p;
  });
  SpeckSupport support;
  for (const Weighed& sector : sums) {
    if (sector.information <= 0) continue;
    const double away = sector.product / sector.information - speck.depth;
    const double noise2 = speck.scatter * speck.scatter / sector.information;
    const double all2 = noise2 + kSectorModel * kSectorModel * speck.depth * speck.depth;
    support.roughness += away * away / all2;
    support.noise += noise2 / all2;
    ++support.sectors;
  }
  support.noise /= std::max(1, support.sectors);
  support.roughness /= std::max(1, support.sectors - 1);

  std::array<double, 8> squares{};
  std::array<int, 8> counts{};
  const double from = reach_of(speck) - speck.half_length + 1.5;
  const double to = from + std::max(8.0, speck.diameter);
  const cv::Rect window = window_of(field, speck, to + speck.half_length);
  for (int y = window.y; y < window.br().y; ++y) {
    for (int x = window.x; x < window.br().x; ++x) {
      const double r = distance_from(speck, x, y);
      if (r < from || r > to) continue;
      const std::size_t sector = sector_of(x - speck.centre.x, y - speck.centre.y);
      const auto gx = static_cast<double>(field.x.at<float>(y, x));
      const auto gy = static_cast<double>(field.y.at<float>(y, x));
      squares.at(sector) += gx * gx * static_cast<double>(field.weight_x.at<float>(y, x)) +
                            gy * gy * static_cast<double>(field.weight_y.at<float>(y, x));
      counts.at(sector) += 2;
    }
  }
  std::vector<double> unrest;
  for (std::size_t k = 0; k < 8; ++k) {
    if (counts.at(k) > 5) unrest.push_back(std::sqrt(squares.at(k) / counts.at(k)));
  }
  if (unrest.size() > 1) {
    std::nth_element(unrest.begin(), unrest.end() - 2, unrest.end());
    support.surroundings = std::max(1.0, unrest[unrest.size() - 2]);
  }
  return support;
}

void take_out(StaticGradient& field, const Speck& speck, double scale) {
  Speck here = speck;
  here.centre = (speck.centre + cv::Point2d(0.5, 0.5)) / scale - cv::Point2d(0.5, 0.5);
  here.diameter /= scale;
  here.half_length /= scale;
  for_gradients(field, here, [&](double p, int x, int y, bool down) {
    (down ? field.y : field.x).at<float>(y, x) += static_cast<float>(here.depth * p);
  });
}

}  // namespace trunnion::survey
