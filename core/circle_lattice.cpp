#include "core/circle_lattice.h"

#include <algorithm>
#include <cmath>
#include <deque>
#include <map>
#include <numbers>
#include <opencv2/imgproc.hpp>

#include "core/board_numbering.h"
#include "core/median.h"

namespace trunnion {
namespace {

using Place = std::pair<int, int>;

// A contour that is filled as an ellipse is: area = 4 pi sqrt(det of its second moments).
bool is_dot(const std::vector<cv::Point>& contour, double most_area, Dot& dot) {
  const cv::Moments m = cv::moments(contour);
  if (m.m00 < 20.0 || m.m00 > most_area) return false;
  const double xx = m.mu20 / m.m00;
  const double yy = m.mu02 / m.m00;
  const double xy = m.mu11 / m.m00;
  const double determinant = xx * yy - xy * xy;
  if (determinant <= 0) return false;
  const double filled = m.m00 / (4.0 * std::numbers::pi * std::sqrt(determinant));
  const double half_trace = 0.5 * (xx + yy);
  const double root = std::sqrt(std::max(0.0, half_trace * half_trace - determinant));
  const double slimness = (half_trace - root) / (half_trace + root);  // squared ratio of the axes
  if (filled < 0.9 || filled > 1.1 || slimness < 0.06) return false;
  dot.centre = cv::Point2f(static_cast<float>(m.m10 / m.m00), static_cast<float>(m.m01 / m.m00));
  dot.radius_px = std::sqrt(m.m00 / std::numbers::pi);
  return true;
}

std::vector<Dot> dots_of(const cv::Mat& plain, int block) {
  cv::Mat dark;
  cv::adaptiveThreshold(plain, dark, 255, cv::ADAPTIVE_THRESH_MEAN_C, cv::THRESH_BINARY_INV, block,
                        8);
  // Outlines of all dark parts, also of those inside another one's outline, as dots on a light
  // plate before a dark backdrop are.
  std::vector<std::vector<cv::Point>> contours;
  std::vector<cv::Vec4i> levels;
  cv::findContours(dark, contours, levels, cv::RETR_CCOMP, cv::CHAIN_APPROX_NONE);
  std::vector<Dot> dots;
  std::vector<double> radii;
  for (std::size_t i = 0; i < contours.size(); ++i) {
    Dot dot;
    const bool hole = levels[i][3] >= 0;
    if (hole || !is_dot(contours[i], 0.02 * plain.cols * plain.rows, dot)) continue;
    dots.push_back(dot);
    radii.push_back(dot.radius_px);
  }
  if (dots.empty()) return dots;
  const double usual = median_in_place(radii);
  std::erase_if(dots, [usual](const Dot& dot) {
    return dot.radius_px < 0.6 * usual || dot.radius_px > 1.6 * usual;
  });
  return dots;
}

double length(const cv::Point2f& p) {
  return std::hypot(p.x, p.y);
}

// The dots linked from one of them along two steps to neighbours.
class Growth {
 public:
  explicit Growth(const std::vector<Dot>& dots) : dots_(dots) {}

  std::map<Place, std::size_t> from(std::size_t seed, const cv::Point2f& u, const cv::Point2f& v) {
    std::map<Place, std::size_t> found{{{0, 0}, seed}};
    std::vector<char> taken(dots_.size(), 0);
    taken[seed] = 1;
    std::map<Place, std::array<cv::Point2f, 2>> steps{{{0, 0}, {u, v}}};
    std::deque<Place> open{{0, 0}};
    while (!open.empty()) {
      const Place here = open.front();
      open.pop_front();
      const std::size_t dot = found[here];
      for (int way = 0; way < 4; ++way) {
        const auto along = static_cast<std::size_t>(way / 2);
        const int sign = way % 2 == 0 ? 1 : -1;
        const Place there{here.first + (along == 0 ? sign : 0),
                          here.second + (along == 1 ? sign : 0)};
        if (found.count(there) > 0) continue;
        const cv::Point2f step = steps[here][along] * static_cast<float>(sign);
        const auto next = nearest(dots_[dot].centre + step, 0.3 * length(step), taken);
        if (next == dots_.size()) continue;
        taken[next] = 1;
        found[there] = next;
        steps[there] = steps[here];
        steps[there][along] = (dots_[next].centre - dots_[dot].centre) * static_cast<float>(sign);
        open.push_back(there);
      }
    }
    return found;
  }

 private:
  [[nodiscard]] std::size_t nearest(const cv::Point2f& at, double within,
                                    const std::vector<char>& taken) const {
    std::size_t best = dots_.size();
    for (std::size_t i = 0; i < dots_.size(); ++i) {
      const double distance = length(dots_[i].centre - at);
      if (taken[i] != 0 || distance >= within) continue;
      within = distance;
      best = i;
    }
    return best;
  }
  const std::vector<Dot>& dots_;
};

// Steps from a dot to its neighbours, the shortest first, each direction once.
std::vector<cv::Point2f> steps_from(const std::vector<Dot>& dots, std::size_t seed) {
  std::vector<cv::Point2f> all;
  for (std::size_t i = 0; i < dots.size(); ++i) {
    if (i != seed) all.push_back(dots[i].centre - dots[seed].centre);
  }
  std::sort(all.begin(), all.end(),
            [](const cv::Point2f& a, const cv::Point2f& b) { return length(a) < length(b); });
  std::vector<cv::Point2f> steps;
  for (const cv::Point2f& step : all) {
    const bool known = std::any_of(steps.begin(), steps.end(), [&](const cv::Point2f& other) {
      return std::abs(step.cross(other)) < 0.35 * length(step) * length(other);
    });
    if (!known) steps.push_back(step);
    if (steps.size() == 4) break;
  }
  return steps;
}

// From the lattice of neighbours to the pattern's: shifted to 0, columns turning clockwise into
// rows.
DotLattice lattice_from(const std::vector<Dot>& dots, const std::map<Place, std::size_t>& found,
                        bool staggered, bool mirrored) {
  DotLattice lattice;
  int low_column = 1 << 20;
  int low_row = 1 << 20;
  for (const auto& [place, index] : found) {
    Dot dot = dots[index];
    dot.column = staggered ? place.first + place.second : place.first;
    dot.row = staggered ? place.second - place.first : place.second;
    if (mirrored) std::swap(dot.column, dot.row);
    low_column = std::min(low_column, dot.column);
    low_row = std::min(low_row, dot.row);
    lattice.dots.push_back(dot);
  }
  for (Dot& dot : lattice.dots) {
    dot.column -= low_column;
    dot.row -= low_row;
    lattice.columns = std::max(lattice.columns, dot.column + 1);
    lattice.rows = std::max(lattice.rows, dot.row + 1);
  }
  std::sort(lattice.dots.begin(), lattice.dots.end(), [](const Dot& a, const Dot& b) {
    return std::pair(a.row, a.column) < std::pair(b.row, b.column);
  });
  const Dot& first = lattice.dots.front();
  lattice.first_dark = (first.column + first.row) % 2 == 0;
  return lattice;
}

// The largest lattice that grows from dots near the middle of them all.
DotLattice largest_lattice(const std::vector<Dot>& dots, const BoardPattern& pattern,
                           DotLattice* seen) {
  DotLattice best;
  if (dots.size() < 9) return best;
  cv::Point2f middle;
  for (const Dot& dot : dots) middle += dot.centre * (1.0F / static_cast<float>(dots.size()));
  std::vector<std::size_t> seeds(dots.size());
  for (std::size_t i = 0; i < seeds.size(); ++i) seeds[i] = i;
  std::sort(seeds.begin(), seeds.end(), [&](std::size_t a, std::size_t b) {
    return length(dots[a].centre - middle) < length(dots[b].centre - middle);
  });
  seeds.resize(std::min<std::size_t>(seeds.size(), 5));
  const bool staggered = pattern.kind == BoardKind::staggered;
  for (const std::size_t seed : seeds) {
    const std::vector<cv::Point2f> steps = steps_from(dots, seed);
    for (std::size_t a = 0; a < steps.size(); ++a) {
      for (std::size_t b = a + 1; b < steps.size(); ++b) {
        // Staggered: columns run along u + v, rows along v - u, clockwise where u turns into v.
        const bool mirrored = steps[a].cross(steps[b]) < 0;
        const auto found = Growth(dots).from(seed, steps[a], steps[b]);
        const DotLattice lattice = lattice_from(dots, found, staggered, mirrored);
        if (seen != nullptr && lattice.dots.size() > seen->dots.size()) *seen = lattice;
        const bool fits =
            lattice.dots.size() >= 9 &&
            !placements({lattice.columns, lattice.rows, lattice.first_dark}, pattern).empty();
        if (fits && lattice.dots.size() > best.dots.size()) best = lattice;
      }
    }
  }
  return best;
}

}  // namespace

DotLattice find_dot_lattice(const cv::Mat& plain, const BoardPattern& pattern, DotLattice* seen) {
  DotLattice best;
  const int side = std::max(plain.cols, plain.rows);
  const auto whole = static_cast<std::size_t>(pattern.columns * pattern.rows);
  for (const int share : {12, 6, 24}) {
    const std::vector<Dot> dots = dots_of(plain, (side / share) | 1);
    DotLattice lattice = largest_lattice(dots, pattern, seen);
    if (lattice.dots.size() > best.dots.size()) best = std::move(lattice);
    if (best.dots.size() == whole) break;
  }
  return best;
}

}  // namespace trunnion
