#include "core/coded_board.h"

#include <fmt/format.h>

#include <Eigen/LU>
#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/aruco.hpp>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>

#include "core/board_outliers.h"
#include "core/error.h"

namespace trunnion {
namespace {

constexpr int kMostColumns = 200;

int marker_count(const BoardPattern& pattern) {
  return (pattern.columns + 1) * (pattern.rows + 1) / 2;
}

cv::Ptr<cv::aruco::Dictionary> dictionary_for(const BoardPattern& pattern) {
  constexpr std::array<int, 4> kSizes{50, 100, 250, 1000};
  int size = 0;
  while (size < 3 && kSizes[static_cast<std::size_t>(size)] < marker_count(pattern)) ++size;
  return cv::aruco::getPredefinedDictionary(cv::aruco::DICT_4X4_50 + 4 * (pattern.marker_bits - 4) +
                                            size);
}

struct Marker {
  int id = 0;
  std::array<cv::Point2f, 4> corners;  // clockwise from its own top left
};

std::vector<Marker> find_markers(const cv::Mat& plain, const BoardPattern& pattern) {
  std::vector<std::vector<cv::Point2f>> corners;
  std::vector<int> ids;
  auto parameters = cv::aruco::DetectorParameters::create();
  // Of the longer side of the image: a marker's outline.
  parameters->minMarkerPerimeterRate = 0.01;
  parameters->adaptiveThreshWinSizeMax = 43;
  cv::aruco::detectMarkers(plain, dictionary_for(pattern), corners, ids, parameters);
  std::vector<Marker> markers;
  for (std::size_t i = 0; i < ids.size(); ++i) {
    Marker marker{ids[i], {}};
    std::copy_n(corners[i].begin(), 4, marker.corners.begin());
    markers.push_back(marker);
  }
  std::sort(markers.begin(), markers.end(),
            [](const Marker& a, const Marker& b) { return a.id < b.id; });
  return markers;
}

// Square that holds marker `id` on a board of so many columns of squares.
cv::Point square_of(int id, int squares, bool light_first) {
  const int cells = 2 * id + (light_first ? 0 : 1);
  int row = cells / squares;
  int column = cells % squares;
  // Squares alternate; where a row has an even number of them, so do the rows' beginnings.
  if (squares % 2 == 0) {
    row = id / (squares / 2);
    const bool light_begins = (row % 2 == 0) == light_first;
    column = 2 * (id % (squares / 2)) + (light_begins ? 0 : 1);
  }
  return {column, row};
}

// Board coordinates in squares from corner (0, 0), a square's width from the board's edge.
std::array<cv::Point2f, 4> places_of(const Marker& marker, int squares, bool light_first,
                                     double share) {
  const cv::Point square = square_of(marker.id, squares, light_first);
  const auto left = static_cast<float>(square.x - 1 + 0.5 * (1.0 - share));
  const auto top = static_cast<float>(square.y - 1 + 0.5 * (1.0 - share));
  const auto side = static_cast<float>(share);
  return {cv::Point2f(left, top), cv::Point2f(left + side, top),
          cv::Point2f(left + side, top + side), cv::Point2f(left, top + side)};
}

// Markers on the places of a layout.
struct Layout {
  int squares = 0;  // columns
  bool light_first = false;
  std::vector<Marker> markers;  // those that lie as on such a board
  [[nodiscard]] double score() const { return static_cast<double>(markers.size()); }
};

Layout layout_of(const std::vector<Marker>& markers, int squares, bool light_first, double share) {
  Layout layout{squares, light_first, {}};
  std::vector<cv::Point2f> board;
  std::vector<cv::Point2f> image;
  for (const Marker& marker : markers) {
    const auto places = places_of(marker, squares, light_first, share);
    board.insert(board.end(), places.begin(), places.end());
    image.insert(image.end(), marker.corners.begin(), marker.corners.end());
  }
  if (markers.empty()) return layout;
  const cv::Mat h = cv::findHomography(board, image, cv::LMEDS);
  if (h.empty()) return layout;
  std::vector<cv::Point2f> expected;
  cv::perspectiveTransform(board, expected, h);
  for (std::size_t i = 0; i < markers.size(); ++i) {
    double worst = 0;
    for (std::size_t k = 0; k < 4; ++k) {
      worst = std::max(worst, cv::norm(expected[4 * i + k] - image[4 * i + k]));
    }
    const double side = cv::norm(markers[i].corners[0] - markers[i].corners[1]);
    if (worst < 0.3 * side) layout.markers.push_back(markers[i]);
  }
  return layout;
}

Layout best_layout(const std::vector<Marker>& markers, const BoardPattern& pattern) {
  const double share = marker_side_mm(pattern) / pattern.square_mm;
  Layout best = layout_of(markers, pattern.columns + 1, false, share);
  if ((pattern.rows + 1) % 2 == 0) {
    const Layout former = layout_of(markers, pattern.columns + 1, true, share);
    if (former.score() > best.score()) best = former;
  }
  return best;
}

// Columns of inner corners of the board that these markers do lie on; 0: none known.
int columns_seen(const std::vector<Marker>& markers, const BoardPattern& pattern) {
  if (markers.size() < 6) return 0;
  const double share = marker_side_mm(pattern) / pattern.square_mm;
  const int most = std::min(kMostColumns, 2 * markers.back().id + 2);
  for (int squares = 4; squares <= most; ++squares) {
    const Layout layout = layout_of(markers, squares, false, share);
    if (layout.score() >= 0.8 * static_cast<double>(markers.size())) return squares - 1;
  }
  return 0;
}

// Where a corner should be, by the markers near it; the spacing of corners there.
struct Expected {
  bool known = false;
  cv::Point2f at;
  double spacing = 0;
  cv::Point2f right;  // step to the next corner
  cv::Point2f down;
};

Expected expected_corner(const Layout& layout, double share, int column, int row) {
  std::vector<cv::Point2f> board;
  std::vector<cv::Point2f> image;
  for (const Marker& marker : layout.markers) {
    const cv::Point square = square_of(marker.id, layout.squares, layout.light_first);
    const int dx = square.x - column;  // 0 or 1: beside the corner
    const int dy = square.y - row;
    if (dx < -1 || dx > 2 || dy < -1 || dy > 2) continue;
    const auto places = places_of(marker, layout.squares, layout.light_first, share);
    board.insert(board.end(), places.begin(), places.end());
    image.insert(image.end(), marker.corners.begin(), marker.corners.end());
  }
  if (board.empty()) return {};
  const cv::Mat h = cv::findHomography(board, image, 0);
  if (h.empty()) return {};
  const auto x = static_cast<float>(column);
  const auto y = static_cast<float>(row);
  const std::vector<cv::Point2f> wanted{
      {x, y}, {x + 0.5F, y}, {x - 0.5F, y}, {x, y + 0.5F}, {x, y - 0.5F}};
  std::vector<cv::Point2f> found;
  cv::perspectiveTransform(wanted, found, h);
  const cv::Point2f right = found[1] - found[2];
  const cv::Point2f down = found[3] - found[4];
  return {true, found[0], std::min(cv::norm(right), cv::norm(down)), right, down};
}

double grey_near(const cv::Mat& image, const cv::Point2f& p) {
  const cv::Rect patch =
      cv::Rect(cvRound(p.x) - 1, cvRound(p.y) - 1, 3, 3) & cv::Rect(0, 0, image.cols, image.rows);
  return patch.area() > 0 ? cv::mean(image(patch))[0] : 0.0;
}

// Whether dark and light squares meet there, sampled between corner and markers.
bool squares_meet(const cv::Mat& grey, const cv::Point2f& p, const Expected& steps, double gap) {
  const auto reach = static_cast<float>(0.7 * gap);
  const cv::Point2f a = (steps.right + steps.down) * reach;
  const cv::Point2f b = (steps.right - steps.down) * reach;
  const auto [low_a, high_a] = std::minmax({grey_near(grey, p + a), grey_near(grey, p - a)});
  const auto [low_b, high_b] = std::minmax({grey_near(grey, p + b), grey_near(grey, p - b)});
  const double between = std::max(low_a - high_b, low_b - high_a);
  const double range = std::max(high_a, high_b) - std::min(low_a, low_b);
  return between > 0.4 * range && between > 0.0;
}

// cornerSubPix, which takes no 16 bit, in the part of the image about `at`.
cv::Point2f refined(const cv::Mat& grey, const cv::Point2f& at, int half) {
  const int reach = 3 * half + 3;
  const cv::Rect part =
      cv::Rect(cvRound(at.x) - reach, cvRound(at.y) - reach, 2 * reach + 1, 2 * reach + 1) &
      cv::Rect(0, 0, grey.cols, grey.rows);
  cv::Mat image;
  grey(part).convertTo(image, CV_32F);
  const cv::Point2f origin(static_cast<float>(part.x), static_cast<float>(part.y));
  std::vector<cv::Point2f> point{at - origin};
  cv::cornerSubPix(image, point, {half, half}, {-1, -1},
                   {cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 60, 1e-4});
  return point[0] + origin;
}

// Measures the corners in the full image. A window reaches no further than the gap between a corner
// and the markers beside it.
void measure(const cv::Mat& grey, double factor, const Layout& layout, const BoardPattern& pattern,
             const BoardOptions& options, BoardView& view) {
  const double share = marker_side_mm(pattern) / pattern.square_mm;
  const double gap = 0.5 * (1.0 - share);
  std::vector<double> spacings;
  for (int row = 0; row < pattern.rows; ++row) {
    for (int column = 0; column < pattern.columns; ++column) {
      Expected corner = expected_corner(layout, share, column, row);
      if (!corner.known) continue;
      const auto scale = static_cast<float>(factor);
      corner.at = (corner.at + cv::Point2f(0.5F, 0.5F)) * scale - cv::Point2f(0.5F, 0.5F);
      corner.right *= scale;
      corner.down *= scale;
      const double spacing = corner.spacing * factor;
      const double wanted =
          options.half_window_px > 0 ? options.half_window_px : 0.9 * gap * spacing;
      const int half = static_cast<int>(std::clamp(wanted, 2.0, options.max_half_window_px));
      const float reach = static_cast<float>(half) + 2.0F;
      const cv::Rect2f inside(reach, reach, static_cast<float>(grey.cols) - 2 * reach - 1,
                              static_cast<float>(grey.rows) - 2 * reach - 1);
      if (!inside.contains(corner.at)) continue;
      const cv::Point2f found = refined(grey, corner.at, half);
      if (cv::norm(found - corner.at) > std::max(0.6 * gap * spacing, 2.0 * factor)) continue;
      if (!inside.contains(found) || !squares_meet(grey, found, corner, gap)) continue;
      view.corners.push_back({column, row, {found.x, found.y}});
      spacings.push_back(spacing);
      view.half_window_px = half;
    }
  }
  if (spacings.empty()) return;
  std::nth_element(spacings.begin(),
                   spacings.begin() + static_cast<std::ptrdiff_t>(spacings.size() / 2),
                   spacings.end());
  view.square_px = spacings[spacings.size() / 2];
  view.corners = without_outliers(view.corners, view.square_px);
}

bool spread_out(const std::vector<BoardCorner>& corners) {
  return std::any_of(
             corners.begin(), corners.end(),
             [&](const BoardCorner& corner) { return corner.row != corners.front().row; }) &&
         std::any_of(corners.begin(), corners.end(), [&](const BoardCorner& corner) {
           return corner.column != corners.front().column;
         });
}

}  // namespace

double marker_side_mm(const BoardPattern& pattern) {
  return pattern.marker_mm > 0 ? pattern.marker_mm : 0.6 * pattern.square_mm;
}

void check_coded(const BoardPattern& pattern) {
  if (pattern.marker_bits < 4 || pattern.marker_bits > 7) {
    throw usage_error(
        fmt::format("--dictionary is {0}x{0}; give 4x4, 5x5, 6x6 or 7x7.", pattern.marker_bits));
  }
  if (marker_side_mm(pattern) > 0.9 * pattern.square_mm) {
    throw usage_error(fmt::format(
        "--marker is {:g} mm on squares of {:g} mm; a marker must leave a light border and be at "
        "most 0.9 of its square.",
        marker_side_mm(pattern), pattern.square_mm));
  }
  if (marker_count(pattern) > 1000) {
    throw usage_error(
        fmt::format("--board {}x{} needs {} markers, but a dictionary has 1000; use fewer squares.",
                    pattern.columns, pattern.rows, marker_count(pattern)));
  }
}

std::vector<std::vector<bool>> marker_cells(const BoardPattern& pattern, int id) {
  cv::Mat image;
  const int side = pattern.marker_bits + 2;
  dictionary_for(pattern)->drawMarker(id, side, image, 1);
  std::vector<std::vector<bool>> cells;
  for (int y = 0; y < side; ++y) {
    cells.emplace_back();
    for (int x = 0; x < side; ++x) cells.back().push_back(image.at<std::uint8_t>(y, x) < 128);
  }
  return cells;
}

int marker_at(const BoardPattern& pattern, int column, int row) {
  if ((column + row) % 2 == 0) return -1;
  return (row * (pattern.columns + 1) + column) / 2;
}

BoardView find_coded(const cv::Mat& grey, const cv::Mat& plain, const BoardPattern& pattern,
                     const BoardOptions& options) {
  BoardView view;
  view.columns = pattern.columns;
  view.rows = pattern.rows;
  view.oriented = true;
  const std::vector<Marker> markers = find_markers(plain, pattern);
  if (markers.empty()) {
    view.reason = fmt::format("no marker of the {0}x{0} dictionary was found", pattern.marker_bits);
    return view;
  }
  const Layout layout = best_layout(markers, pattern);
  if (layout.score() < 0.6 * static_cast<double>(markers.size())) {
    const int columns = columns_seen(markers, pattern);
    view.reason = fmt::format("the markers do not lie as on a board of {} x {} inner corners",
                              pattern.columns, pattern.rows);
    if (columns > 0) {
      view.reason += fmt::format(", but as on one of {} columns of inner corners", columns);
      view.seen_long = columns;
    }
    return view;
  }
  measure(grey, static_cast<double>(grey.cols) / plain.cols, layout, pattern, options, view);
  view.seen_long = std::max(pattern.columns, pattern.rows);
  view.seen_short = std::min(pattern.columns, pattern.rows);
  view.complete = view.corners.size() == static_cast<std::size_t>(pattern.columns * pattern.rows);
  view.found =
      static_cast<int>(view.corners.size()) >= kFewestCodedCorners && spread_out(view.corners);
  if (!view.found) {
    view.reason = fmt::format(
        "only {} corners could be measured, {} in more than one line are "
        "needed",
        view.corners.size(), kFewestCodedCorners);
  } else if (!options.allow_partial && !view.complete) {
    view.found = false;
    view.reason = fmt::format("only {} of the {} corners were found", view.corners.size(),
                              pattern.columns * pattern.rows);
  }
  return view;
}

}  // namespace trunnion
