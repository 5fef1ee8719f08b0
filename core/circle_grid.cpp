#include "core/circle_grid.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <opencv2/calib3d.hpp>

#include "core/board_numbering.h"
#include "core/board_outliers.h"
#include "core/circle_lattice.h"
#include "core/median.h"

namespace trunnion {
namespace {

constexpr double kWindow = 1.45;  // radii of a dot that its window reaches: dot, blur and ground

// How a dot's two lattice steps lie in the image: the ellipse that it makes.
struct Steps {
  cv::Point2d column;  // px a lattice unit
  cv::Point2d row;
  [[nodiscard]] double area() const { return std::abs(column.cross(row)); }
};

struct Measured {
  BoardCorner corner;
  double radius = 0;    // of the dot, lattice units
  double contrast = 0;  // of dot and ground, share of full scale
};

Eigen::Matrix3d homography_of(const std::vector<BoardCorner>& corners) {
  std::vector<cv::Point2d> places;
  std::vector<cv::Point2d> seen;
  for (const BoardCorner& c : corners) {
    places.emplace_back(c.column, c.row);
    seen.emplace_back(c.position_px.x(), c.position_px.y());
  }
  const cv::Mat h = cv::findHomography(places, seen, 0);
  if (h.empty()) return Eigen::Matrix3d::Zero();
  Eigen::Matrix3d result;
  for (int i = 0; i < 3; ++i) {
    for (int j = 0; j < 3; ++j) result(i, j) = h.at<double>(i, j);
  }
  return result;
}

Steps steps_at(const Eigen::Matrix3d& h, double column, double row) {
  const auto at = [&](double c, double r) -> Eigen::Vector2d {
    return (h * Eigen::Vector3d(c, r, 1.0)).hnormalized();
  };
  const Eigen::Vector2d u = at(column + 0.5, row) - at(column - 0.5, row);
  const Eigen::Vector2d v = at(column, row + 0.5) - at(column, row - 0.5);
  return {{u.x(), u.y()}, {v.x(), v.y()}};
}

// Levels of the ground about a dot, from the ring between 1.2 and kWindow radii, and of the dot
// itself, from its inner half: planes over the window, since a reflection lies on both.
struct Levels {
  Eigen::Vector3d ground = Eigen::Vector3d::Zero();  // constant, by x, by y from the centre
  Eigen::Vector3d dot = Eigen::Vector3d::Zero();
  bool known = false;
};

// Calls f(x, y, squared radius in dots) for the pixels of a dot's window.
template <typename F>
bool over_window(const cv::Mat& grey, const cv::Point2d& centre, const Steps& steps, double radius,
                 const F& f) {
  Eigen::Matrix2d to_image;
  to_image << steps.column.x, steps.row.x, steps.column.y, steps.row.y;
  const Eigen::Matrix2d to_dot = to_image.inverse() / radius;
  const double reach_x = kWindow * radius * std::hypot(steps.column.x, steps.row.x);
  const double reach_y = kWindow * radius * std::hypot(steps.column.y, steps.row.y);
  const int left = cvFloor(centre.x - reach_x);
  const int right = cvCeil(centre.x + reach_x);
  const int top = cvFloor(centre.y - reach_y);
  const int bottom = cvCeil(centre.y + reach_y);
  if (left < 0 || top < 0 || right >= grey.cols || bottom >= grey.rows) return false;
  for (int y = top; y <= bottom; ++y) {
    for (int x = left; x <= right; ++x) {
      const double r2 = (to_dot * Eigen::Vector2d(x - centre.x, y - centre.y)).squaredNorm();
      if (r2 <= kWindow * kWindow) f(x, y, r2);
    }
  }
  return true;
}

double level_at(const cv::Mat& grey, int x, int y) {
  return grey.depth() == CV_16U ? grey.at<std::uint16_t>(y, x) / 65535.0
                                : grey.at<std::uint8_t>(y, x) / 255.0;
}

struct PlaneFit {
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  void add(double x, double y, double level) {
    const Eigen::Vector3d terms(1.0, x, y);
    normal += terms * terms.transpose();
    right += terms * level;
  }
  [[nodiscard]] bool known() const { return normal(0, 0) >= 12; }
  [[nodiscard]] Eigen::Vector3d solved() const { return normal.ldlt().solve(right); }
};

Levels levels_of(const cv::Mat& grey, const cv::Point2d& centre, const Steps& steps,
                 double radius) {
  PlaneFit ground;
  PlaneFit dot;
  Levels levels;
  const bool inside = over_window(grey, centre, steps, radius, [&](int x, int y, double r2) {
    if (r2 > 1.2 * 1.2) ground.add(x - centre.x, y - centre.y, level_at(grey, x, y));
    if (r2 < 0.4) dot.add(x - centre.x, y - centre.y, level_at(grey, x, y));
  });
  if (!inside || !ground.known() || !dot.known()) return levels;
  levels.ground = ground.solved();
  levels.dot = dot.solved();
  levels.known = true;
  return levels;
}

// The centroid of the dot's darkness, with the area that it covers.
bool measure_dot(const cv::Mat& grey, const Steps& steps, double radius, cv::Point2d& centre,
                 Measured& measured) {
  const cv::Point2d start = centre;
  for (int round = 0; round < 8; ++round) {
    const Levels levels = levels_of(grey, centre, steps, radius);
    const double range = levels.ground[0] - levels.dot[0];
    if (!levels.known || std::abs(range) < 0.02) return false;
    double sum = 0;
    cv::Point2d moment;
    over_window(grey, centre, steps, radius, [&](int x, int y, double) {
      const Eigen::Vector3d terms(1.0, x - centre.x, y - centre.y);
      const double ground = levels.ground.dot(terms);
      const double covered = (ground - level_at(grey, x, y)) / (ground - levels.dot.dot(terms));
      sum += covered;
      moment += cv::Point2d(x - centre.x, y - centre.y) * covered;
    });
    if (!(sum > 0)) return false;
    const cv::Point2d step = moment * (1.0 / sum);
    centre += step;
    measured.radius = std::sqrt(sum / (std::numbers::pi * steps.area()));
    measured.contrast = std::abs(range);
    if (cv::norm(centre - start) > 0.5 * radius * std::sqrt(steps.area())) return false;
    if (cv::norm(step) < 1e-4) break;
  }
  return measured.radius > 0.6 * radius && measured.radius < 1.6 * radius;
}

// Centre of the ellipse that a circle of the board becomes, minus the image of its own centre.
Eigen::Vector2d ellipse_shift(const Eigen::Matrix3d& h, double column, double row, double radius) {
  // The dual conic of the circle maps by h C h^T; its centre is the pole of the line at infinity.
  Eigen::Matrix3d dual;
  const Eigen::Vector3d centre(column, row, 1.0);
  dual = centre * centre.transpose();
  dual(0, 0) -= radius * radius;
  dual(1, 1) -= radius * radius;
  const Eigen::Matrix3d imaged = h * dual * h.transpose();
  const Eigen::Vector2d middle = imaged.col(2).hnormalized();
  return middle - (h * centre).hnormalized();
}

std::vector<BoardCorner> corners_from(const std::vector<Dot>& dots, double factor) {
  std::vector<BoardCorner> corners;
  for (const Dot& dot : dots) {
    corners.push_back({dot.column,
                       dot.row,
                       {(static_cast<double>(dot.centre.x) + 0.5) * factor - 0.5,
                        (static_cast<double>(dot.centre.y) + 0.5) * factor - 0.5}});
  }
  return corners;
}

void measure(const cv::Mat& grey, const DotLattice& lattice, double factor, BoardView& view) {
  std::vector<BoardCorner> rough = corners_from(lattice.dots, factor);
  const Eigen::Matrix3d about = homography_of(rough);
  if (about.isZero()) return;
  std::vector<double> radii;
  for (std::size_t i = 0; i < rough.size(); ++i) {
    const Steps steps = steps_at(about, rough[i].column, rough[i].row);
    radii.push_back(factor * lattice.dots[i].radius_px / std::sqrt(steps.area()));
  }
  const double radius = median_of(radii);
  std::vector<double> sides;
  std::vector<double> contrasts;
  radii.clear();
  for (const BoardCorner& corner : rough) {
    const Steps steps = steps_at(about, corner.column, corner.row);
    cv::Point2d centre(corner.position_px.x(), corner.position_px.y());
    Measured measured;
    if (!measure_dot(grey, steps, radius, centre, measured)) continue;
    view.corners.push_back({corner.column, corner.row, {centre.x, centre.y}});
    radii.push_back(measured.radius);
    contrasts.push_back(measured.contrast);
    sides.push_back(std::min(cv::norm(steps.column), cv::norm(steps.row)));
  }
  if (view.corners.empty()) return;
  view.square_px = median_in_place(sides);
  view.contrast = median_in_place(contrasts);
  view.corners = without_outliers(view.corners, view.square_px);
  const Eigen::Matrix3d h = homography_of(view.corners);
  if (h.isZero()) return;
  const double dot_radius = median_in_place(radii);
  for (BoardCorner& corner : view.corners) {
    corner.position_px -= ellipse_shift(h, corner.column, corner.row, dot_radius);
  }
}

// The board's own numbering where there is but one; else column 0, row 0 towards the top left.
void number(const BoardPattern& pattern, BoardView& view) {
  const auto possible = placements({view.columns, view.rows, view.first_dark}, pattern);
  Placement chosen;
  if (possible.size() == 1) {
    view.oriented = true;
    view.first_dark = true;
    chosen = possible.front();
  } else {
    double best = -1e300;
    for (const Placement& p : possible) {
      // Where the lattice's own first place comes to lie least shifted, as seen from the top left.
      const Placement turn{p.quarter_turns, 0, 0};
      double score = 0;
      Eigen::Vector2d mean = Eigen::Vector2d::Zero();
      for (const BoardCorner& c : view.corners) mean += c.position_px;
      mean /= static_cast<double>(view.corners.size());
      for (const BoardCorner& c : view.corners) {
        score += (c.position_px - mean).sum() * turn(c.column, c.row).sum();
      }
      if (score <= best + 1e-9 * std::abs(best)) continue;
      best = score;
      chosen = turn;
    }
    const Eigen::Vector2i a = chosen(0, 0);
    const Eigen::Vector2i b = chosen(view.columns - 1, view.rows - 1);
    chosen.columns = -std::min(a.x(), b.x());
    chosen.rows = -std::min(a.y(), b.y());
  }
  view.corners = placed(view.corners, chosen);
  if (chosen.quarter_turns % 2 == 1) std::swap(view.columns, view.rows);
  if (view.oriented) {
    view.columns = pattern.lattice_columns();
    view.rows = pattern.lattice_rows();
  } else if (!view.corners.empty()) {
    const BoardCorner& first = view.corners.front();
    view.first_dark = (first.column + first.row) % 2 == 0;
  }
  std::sort(view.corners.begin(), view.corners.end(),
            [](const BoardCorner& a, const BoardCorner& b) {
              return std::pair(a.row, a.column) < std::pair(b.row, b.column);
            });
}

std::string refusal(const BoardPattern& pattern, const DotLattice& seen, BoardView& view) {
  const bool staggered = pattern.kind == BoardKind::staggered;
  std::string text = fmt::format("no {}circle grid of {} x {} was found",
                                 staggered ? "staggered " : "", pattern.columns, pattern.rows);
  if (seen.dots.size() < 9) return text + ", nor a part of 9 circles";
  const int columns = staggered ? (seen.columns + 1) / 2 : seen.columns;
  view.seen_long = staggered ? columns : std::max(columns, seen.rows);
  view.seen_short = staggered ? seen.rows : std::min(columns, seen.rows);
  return fmt::format("the grid found has at least {} x {} circles, not the {} x {} given",
                     view.seen_long, view.seen_short, pattern.columns, pattern.rows);
}

}  // namespace

BoardView find_circles(const cv::Mat& grey, const cv::Mat& plain, const BoardPattern& pattern,
                       const BoardOptions& options) {
  BoardView view;
  DotLattice seen;
  DotLattice lattice = find_dot_lattice(plain, pattern, &seen);
  if (lattice.dots.empty()) {
    const cv::Mat inverse = ~plain;
    lattice = find_dot_lattice(inverse, pattern, &seen);
  }
  // A part that fits is nothing where a clearly larger grid that does not fit was seen.
  if (lattice.dots.empty() || 10 * seen.dots.size() > 11 * lattice.dots.size()) {
    view.reason = refusal(pattern, seen, view);
    return view;
  }
  view.columns = lattice.columns;
  view.rows = lattice.rows;
  view.first_dark = lattice.first_dark;
  measure(grey, lattice, static_cast<double>(grey.cols) / plain.cols, view);
  if (view.corners.size() < 9) {
    view.reason = "fewer than 9 circles could be measured";
    return view;
  }
  number(pattern, view);
  const bool staggered = pattern.kind == BoardKind::staggered;
  const int across = staggered ? (lattice.columns + 1) / 2 : lattice.columns;
  view.seen_long = staggered ? across : std::max(across, lattice.rows);
  view.seen_short = staggered ? lattice.rows : std::min(across, lattice.rows);
  view.complete = view.corners.size() == static_cast<std::size_t>(pattern.columns * pattern.rows);
  view.found = options.allow_partial || view.complete;
  if (!view.found) {
    view.reason = fmt::format("only {} of the {} circles were found", view.corners.size(),
                              pattern.columns * pattern.rows);
  }
  return view;
}

}  // namespace trunnion
