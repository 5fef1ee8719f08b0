#include "core/checkerboard.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "core/board_corners.h"
#include "core/board_outliers.h"
#include "core/board_search.h"
#include "core/circle_grid.h"
#include "core/coded_board.h"
#include "core/error.h"

namespace trunnion {
namespace {

cv::Mat grey_of(const cv::Mat& image) {
  if (image.empty() || (image.depth() != CV_8U && image.depth() != CV_16U) ||
      (image.channels() != 1 && image.channels() != 3 && image.channels() != 4)) {
    throw data_error(
        "A checkerboard image must have 8 or 16 bit and 1, 3 or 4 channels; convert it.");
  }
  if (image.channels() == 1) return image;
  cv::Mat grey;
  cv::cvtColor(image, grey, image.channels() == 3 ? cv::COLOR_BGR2GRAY : cv::COLOR_BGRA2GRAY);
  return grey;
}

// Stretches the 0.5 % and 99.5 % quantiles to 8 bit, so that a low contrast or a dark 16-bit image
// fills the detector's range.
cv::Mat stretched(const cv::Mat& grey) {
  std::vector<float> sorted;
  cv::Mat as_float;
  grey.convertTo(as_float, CV_32F);
  sorted.assign(as_float.begin<float>(), as_float.end<float>());
  const auto quantile = [&sorted](double q) {
    const auto n = static_cast<std::ptrdiff_t>(q * static_cast<double>(sorted.size() - 1));
    std::nth_element(sorted.begin(), sorted.begin() + n, sorted.end());
    return static_cast<double>(sorted[static_cast<std::size_t>(n)]);
  };
  const double low = quantile(0.005);
  const double range = std::max(quantile(0.995) - low, 1e-6);
  cv::Mat result;
  as_float.convertTo(result, CV_8U, 255.0 / range, -255.0 * low / range);
  return result;
}

// Takes out uneven light: divides the deviation from the local mean by the local deviation.
cv::Mat levelled(const cv::Mat& grey) {
  cv::Mat image;
  grey.convertTo(image, CV_32F);
  const double sigma = 0.04 * std::max(grey.cols, grey.rows);
  cv::Mat mean;
  cv::GaussianBlur(image, mean, {}, sigma);
  cv::Mat deviation = image - mean;
  cv::Mat variance;
  cv::GaussianBlur(deviation.mul(deviation), variance, {}, sigma);
  cv::sqrt(variance, variance);
  const double floor = 0.1 * cv::mean(variance)[0] + 1e-6;
  cv::Mat result;
  cv::Mat(deviation / (variance + floor)).convertTo(result, CV_8U, 60.0, 128.0);
  return result;
}

// Gives the lattice the numbering promised in the header; `spans` where it has the pattern's size.
Lattice numbered(Lattice lattice, const cv::Mat& grey, const BoardPattern& pattern, bool spans) {
  const bool lies_across = lattice.columns == pattern.rows && lattice.rows == pattern.columns &&
                           pattern.columns != pattern.rows;
  if (spans && lies_across) lattice = transposed(lattice);
  if (direction_of(lattice, 1, 0).cross(direction_of(lattice, 0, 1)) < 0) {
    lattice = rows_reversed(lattice);
  }
  if (spans && (lattice.columns + lattice.rows) % 2 == 1) {
    if (colour_difference(grey, lattice) > 0) lattice = half_turned(std::move(lattice));
  } else {
    const cv::Point2f diagonal = direction_of(lattice, 1, 0) + direction_of(lattice, 0, 1);
    if (diagonal.x + diagonal.y < 0) lattice = half_turned(std::move(lattice));
  }
  return lattice;
}

// Why a lattice can't be used; empty where it can.
std::string objection(const std::optional<Lattice>& lattice, const BoardPattern& pattern,
                      bool allow_partial) {
  if (!lattice) {
    return fmt::format(
        "no checkerboard of {} x {} inner corners was found, nor a part of 3 x 3 corners",
        pattern.columns, pattern.rows);
  }
  const auto [short_side, long_side] = std::minmax(lattice->columns, lattice->rows);
  const auto [short_given, long_given] = std::minmax(pattern.columns, pattern.rows);
  if (long_side > long_given || short_side > short_given) {
    return fmt::format("the board found has at least {} x {} inner corners, not the {} x {} given",
                       long_side, short_side, pattern.columns, pattern.rows);
  }
  if (!allow_partial && !is_whole(*lattice, pattern)) {
    return fmt::format("only {} of the {} x {} inner corners were found", lattice->count(),
                       pattern.columns, pattern.rows);
  }
  return {};
}

BoardView find_checkerboard(const cv::Mat& grey, const cv::Mat& plain, const BoardPattern& pattern,
                            const BoardOptions& options) {
  const cv::Mat level = levelled(plain);
  BoardView view;
  std::optional<Lattice> lattice = find_lattice(plain, level, pattern);
  view.reason = objection(lattice, pattern, options.allow_partial);
  if (lattice) {
    view.seen_long = std::max(lattice->columns, lattice->rows);
    view.seen_short = std::min(lattice->columns, lattice->rows);
  }
  if (!view.reason.empty()) return view;
  view.complete = is_whole(*lattice, pattern);
  const bool spanning = spans(*lattice, pattern);
  *lattice = numbered(std::move(*lattice), plain, pattern, spanning);
  view.first_dark = colour_difference(plain, *lattice) < 0;
  view.contrast = lattice_contrast(plain, *lattice) / 255.0;

  const double factor = static_cast<double>(grey.cols) / plain.cols;
  enlarge(lattice->points, factor);
  const std::vector<double> spacing = spacings(*lattice);
  view.square_px = spacing[spacing.size() / 2];
  // A third of the shortest side: the window stays clear of the neighbours also where it lies
  // askew to the squares (its corner reaches 1.41 times as far).
  view.half_window_px = options.half_window_px > 0
                            ? options.half_window_px
                            : std::clamp(0.33 * spacing.front(), 2.0, options.max_half_window_px);
  view.columns = lattice->columns;
  view.rows = lattice->rows;
  view.corners = without_outliers(measured_corners(grey, *lattice, cvRound(view.half_window_px),
                                                   std::max(0.3 * spacing.front(), 2.0 * factor)),
                                  view.square_px);
  view.oriented = spanning && (pattern.columns + pattern.rows) % 2 == 1;
  view.found = view.corners.size() >= 9;
  if (!view.found) view.reason = "fewer than 9 corners could be measured";
  return view;
}

}  // namespace

BoardView find_board(const cv::Mat& image, const BoardPattern& pattern,
                     const BoardOptions& options) {
  if (pattern.columns < 3 || pattern.rows < 3) {
    throw data_error("A board needs at least 3 x 3 inner corners; give its true size.");
  }
  const cv::Mat grey = grey_of(image);
  const cv::Mat plain = stretched(reduced(grey, options.search_side_px));
  switch (pattern.kind) {
    case BoardKind::coded:
      return find_coded(grey, plain, pattern, options);
    case BoardKind::circles:
    case BoardKind::staggered:
      return find_circles(grey, plain, pattern, options);
    case BoardKind::checkerboard:
      break;
  }
  return find_checkerboard(grey, plain, pattern, options);
}

}  // namespace trunnion
