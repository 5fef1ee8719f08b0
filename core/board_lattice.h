// The corners of a checkerboard as seen in an image, on their way to find_board
// (core/checkerboard.h).
#pragma once

#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "core/checkerboard.h"

namespace trunnion {

inline constexpr float kMissing = std::numeric_limits<float>::quiet_NaN();

// A rectangle of corners; those not seen are NaN.
struct Lattice {
  int columns = 0;
  int rows = 0;
  std::vector<cv::Point2f> points;  // by row

  [[nodiscard]] const cv::Point2f& at(int column, int row) const {
    return points[static_cast<std::size_t>(row * columns + column)];
  }
  cv::Point2f& at(int column, int row) {
    return points[static_cast<std::size_t>(row * columns + column)];
  }
  [[nodiscard]] bool has(int column, int row) const {
    return column >= 0 && row >= 0 && column < columns && row < rows &&
           !std::isnan(at(column, row).x);
  }
  [[nodiscard]] int count() const {
    return static_cast<int>(std::count_if(points.begin(), points.end(),
                                          [](const cv::Point2f& p) { return !std::isnan(p.x); }));
  }
};

Lattice transposed(const Lattice& from);
Lattice rows_reversed(const Lattice& from);
Lattice half_turned(Lattice lattice);
// With a free line on every side.
Lattice framed(const Lattice& from);
// Empty outer rows and columns cut off.
Lattice trimmed(const Lattice& from);

// Step along the lattice at a corner, from the neighbours that are known.
std::optional<cv::Point2f> step_at(const Lattice& lattice, int column, int row, int dc, int dr);
// Sum of the steps in one direction: its mean direction in the image.
cv::Point2f direction_of(const Lattice& lattice, int dc, int dr);
// Distances of neighbouring corners, px, sorted.
std::vector<double> spacings(const Lattice& lattice);

// Mean grey of a small patch in the middle of the square whose first corner is (column, row).
double square_grey(const cv::Mat& grey, const Lattice& lattice, int column, int row);
// Mean grey of the squares of the colour of the first one minus that of the others.
double colour_difference(const cv::Mat& grey, const Lattice& lattice);

// Whether it has the pattern's size; whether every corner of the pattern is there.
bool spans(const Lattice& lattice, const BoardPattern& pattern);
bool is_whole(const Lattice& lattice, const BoardPattern& pattern);

}  // namespace trunnion
