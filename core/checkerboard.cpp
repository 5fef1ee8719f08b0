#include "core/checkerboard.h"

#include <fmt/format.h>

#include <Eigen/QR>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "core/error.h"

namespace trunnion {
namespace {

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

constexpr float kMissing = std::numeric_limits<float>::quiet_NaN();

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

cv::Mat reduced(const cv::Mat& grey, int side_px) {
  const double factor = static_cast<double>(side_px) / std::max(grey.cols, grey.rows);
  if (factor >= 1.0) return grey;
  cv::Mat small;
  cv::resize(grey, small, {}, factor, factor, cv::INTER_AREA);
  return small;
}

// From pixels of a reduced image to those of the full one. Pixel centres are at whole numbers, so
// the reduced image's (0, 0) lies inside the full one.
void enlarge(std::vector<cv::Point2f>& points, double factor) {
  for (cv::Point2f& point : points) {
    point = {static_cast<float>((point.x + 0.5) * factor - 0.5),
             static_cast<float>((point.y + 0.5) * factor - 0.5)};
  }
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

std::optional<Lattice> find_classic(const cv::Mat& image, const BoardPattern& pattern, int flags) {
  Lattice lattice{pattern.columns, pattern.rows, {}};
  if (cv::findChessboardCorners(
          image, {pattern.columns, pattern.rows}, lattice.points,
          cv::CALIB_CB_ADAPTIVE_THRESH | cv::CALIB_CB_NORMALIZE_IMAGE | flags)) {
    return lattice;
  }
  return std::nullopt;
}

std::optional<Lattice> find_sectors(const cv::Mat& image, int columns, int rows, int flags) {
  Lattice lattice;
  cv::Mat meta;
  if (!cv::findChessboardCornersSB(image, {columns, rows}, lattice.points, flags, meta)) {
    return std::nullopt;
  }
  lattice.columns = meta.cols;
  lattice.rows = meta.rows;
  if (lattice.points.size() != static_cast<std::size_t>(lattice.columns * lattice.rows)) {
    return std::nullopt;
  }
  return lattice;
}

// Some part of the board, mostly all of it: the largest rectangle of corners that is seen.
std::optional<Lattice> find_seed(const cv::Mat& plain, const cv::Mat& level) {
  for (const cv::Mat& image : {plain, level}) {
    if (auto lattice = find_sectors(image, 3, 3, cv::CALIB_CB_LARGER)) return lattice;
  }
  return std::nullopt;
}

// The board by its size. The sector detector takes tenths of a second; the classic one refuses
// larger boards but may take many seconds to find nothing, so it has the last word only.
std::optional<Lattice> find_exact(const cv::Mat& plain, const cv::Mat& level,
                                  const BoardPattern& pattern) {
  for (const cv::Mat& image : {plain, level}) {
    if (auto lattice = find_sectors(image, pattern.columns, pattern.rows, cv::CALIB_CB_ACCURACY)) {
      return lattice;
    }
  }
  return std::nullopt;
}

// The last resort, in an image small enough that it takes seconds.
std::optional<Lattice> find_thorough(const cv::Mat& plain, const BoardPattern& pattern) {
  const cv::Mat small = reduced(plain, 800);
  // Scenes without any board are told in milliseconds; searching them to the end takes seconds.
  if (!cv::checkChessboard(small, {pattern.columns, pattern.rows})) return std::nullopt;
  auto lattice = find_sectors(small, pattern.columns, pattern.rows,
                              cv::CALIB_CB_EXHAUSTIVE | cv::CALIB_CB_ACCURACY);
  if (!lattice) lattice = find_classic(small, pattern, 0);
  if (lattice) enlarge(lattice->points, static_cast<double>(plain.cols) / small.cols);
  return lattice;
}

double grey_at(const cv::Mat& image, const cv::Point2f& p) {
  const cv::Rect patch =
      cv::Rect(cvRound(p.x) - 1, cvRound(p.y) - 1, 3, 3) & cv::Rect(0, 0, image.cols, image.rows);
  return patch.area() > 0 ? cv::mean(image(patch))[0] : 128.0;
}

// Whether four squares of alternating colour meet at p; `u` and `v` lead along the lattice to the
// next corners. Sampled a quarter of a square into each, with at least `contrast` between them.
bool is_corner(const cv::Mat& image, const cv::Point2f& p, const cv::Point2f& u,
               const cv::Point2f& v, double contrast) {
  const cv::Point2f a = (u + v) * 0.3F;
  const cv::Point2f b = (u - v) * 0.3F;
  const cv::Rect2f frame(0, 0, static_cast<float>(image.cols), static_cast<float>(image.rows));
  for (const cv::Point2f& q : {p + a, p - a, p + b, p - b}) {
    if (!frame.contains(q)) return false;
  }
  const auto [low_a, high_a] = std::minmax({grey_at(image, p + a), grey_at(image, p - a)});
  const auto [low_b, high_b] = std::minmax({grey_at(image, p + b), grey_at(image, p - b)});
  const double gap = std::max(low_a - high_b, low_b - high_a);
  const double range = std::max(high_a, high_b) - std::min(low_a, low_b);
  return gap > contrast && gap > 0.5 * range;
}

// Steps along the lattice at a corner, from the neighbours that are known.
std::optional<cv::Point2f> step_at(const Lattice& lattice, int column, int row, int dc, int dr) {
  if (lattice.has(column + dc, row + dr) && lattice.has(column - dc, row - dr)) {
    return (lattice.at(column + dc, row + dr) - lattice.at(column - dc, row - dr)) * 0.5F;
  }
  if (lattice.has(column + dc, row + dr)) {
    return lattice.at(column + dc, row + dr) - lattice.at(column, row);
  }
  if (lattice.has(column - dc, row - dr)) {
    return lattice.at(column, row) - lattice.at(column - dc, row - dr);
  }
  return std::nullopt;
}

double lattice_contrast(const cv::Mat& image, const Lattice& lattice);

Lattice framed(const Lattice& from) {
  Lattice to{from.columns + 2, from.rows + 2, {}};
  to.points.assign(static_cast<std::size_t>(to.columns * to.rows), {kMissing, kMissing});
  for (int row = 0; row < from.rows; ++row) {
    for (int column = 0; column < from.columns; ++column) {
      to.at(column + 1, row + 1) = from.at(column, row);
    }
  }
  return to;
}

// Cuts empty outer rows and columns off.
Lattice trimmed(const Lattice& from) {
  int low_column = from.columns, low_row = from.rows, high_column = -1, high_row = -1;
  for (int row = 0; row < from.rows; ++row) {
    for (int column = 0; column < from.columns; ++column) {
      if (!from.has(column, row)) continue;
      low_column = std::min(low_column, column);
      high_column = std::max(high_column, column);
      low_row = std::min(low_row, row);
      high_row = std::max(high_row, row);
    }
  }
  Lattice to{high_column - low_column + 1, high_row - low_row + 1, {}};
  for (int row = low_row; row <= high_row; ++row) {
    for (int column = low_column; column <= high_column; ++column) {
      to.points.push_back(from.at(column, row));
    }
  }
  return to;
}

// The corner expected at a free place of the lattice, from a neighbour and the steps there.
std::optional<cv::Point2f> grown_corner(const cv::Mat& image, const Lattice& lattice, int column,
                                        int row, double contrast) {
  constexpr int kWays[4][2] = {{1, 0}, {-1, 0}, {0, 1}, {0, -1}};
  for (const auto& way : kWays) {
    const int from_column = column - way[0];
    const int from_row = row - way[1];
    if (!lattice.has(from_column, from_row)) continue;
    const auto along = step_at(lattice, from_column, from_row, way[0], way[1]);
    const auto across = step_at(lattice, from_column, from_row, way[1], way[0]);
    if (!along || !across) continue;
    const cv::Point2f expected = lattice.at(from_column, from_row) + *along;
    const double side = std::min(cv::norm(*along), cv::norm(*across));
    const int half = std::clamp(static_cast<int>(0.3 * side), 2, 15);
    if (!cv::Rect(half + 1, half + 1, image.cols - 2 * half - 2, image.rows - 2 * half - 2)
             .contains(cv::Point(cvRound(expected.x), cvRound(expected.y)))) {
      continue;
    }
    std::vector<cv::Point2f> point{expected};
    cv::cornerSubPix(image, point, {half, half}, {-1, -1},
                     {cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 20, 0.01});
    if (cv::norm(point[0] - expected) < 0.25 * side &&
        is_corner(image, point[0], *along, *across, contrast)) {
      return point[0];
    }
  }
  return std::nullopt;
}

// Adds every neighbouring corner that the image shows, until none is left.
Lattice grown(Lattice lattice, const cv::Mat& image) {
  const double contrast = 0.25 * lattice_contrast(image, lattice);
  for (int round = 0; round < 200; ++round) {
    Lattice next = framed(lattice);
    const Lattice known = next;
    bool any = false;
    for (int row = 0; row < known.rows; ++row) {
      for (int column = 0; column < known.columns; ++column) {
        if (known.has(column, row)) continue;
        if (const auto corner = grown_corner(image, known, column, row, contrast)) {
          next.at(column, row) = *corner;
          any = true;
        }
      }
    }
    lattice = trimmed(next);
    if (!any) break;
  }
  return lattice;
}

// Whether nearly all corners of a lattice are corners of squares of alternating colour.
bool looks_like_board(const cv::Mat& image, const Lattice& lattice) {
  const double contrast = std::max(10.0, 0.3 * lattice_contrast(image, lattice));
  int good = 0;
  for (int row = 0; row < lattice.rows; ++row) {
    for (int column = 0; column < lattice.columns; ++column) {
      if (!lattice.has(column, row)) continue;
      const auto along = step_at(lattice, column, row, 1, 0);
      const auto across = step_at(lattice, column, row, 0, 1);
      if (along && across && is_corner(image, lattice.at(column, row), *along, *across, contrast)) {
        ++good;
      }
    }
  }
  return good >= 0.8 * lattice.count();
}

Lattice transposed(const Lattice& from) {
  Lattice to{from.rows, from.columns, {}};
  for (int row = 0; row < to.rows; ++row) {
    for (int column = 0; column < to.columns; ++column) to.points.push_back(from.at(row, column));
  }
  return to;
}

Lattice rows_reversed(const Lattice& from) {
  Lattice to{from.columns, from.rows, {}};
  for (int row = from.rows - 1; row >= 0; --row) {
    for (int column = 0; column < from.columns; ++column) {
      to.points.push_back(from.at(column, row));
    }
  }
  return to;
}

Lattice half_turned(Lattice lattice) {
  std::reverse(lattice.points.begin(), lattice.points.end());
  return lattice;
}

// Mean grey of a small patch in the middle of the square whose first corner is (column, row).
double square_grey(const cv::Mat& grey, const Lattice& lattice, int column, int row) {
  const cv::Point2f& first = lattice.at(column, row);
  const cv::Point2f& last = lattice.at(column + 1, row + 1);
  const cv::Point2f& right = lattice.at(column + 1, row);
  const cv::Point2f& below = lattice.at(column, row + 1);
  const cv::Point2f centre = (first + last + right + below) * 0.25F;
  const double side = std::min(cv::norm(first - right), cv::norm(first - below));
  const int half = std::max(0, static_cast<int>(0.15 * side));
  const cv::Rect patch =
      cv::Rect(cvRound(centre.x) - half, cvRound(centre.y) - half, 2 * half + 1, 2 * half + 1) &
      cv::Rect(0, 0, grey.cols, grey.rows);
  return patch.area() > 0 ? cv::mean(grey(patch))[0] : 0.0;
}

// Mean grey of the squares of the colour of the first one minus that of the others.
double colour_difference(const cv::Mat& grey, const Lattice& lattice) {
  double sum[2] = {0, 0};
  int count[2] = {0, 0};
  for (int row = 0; row + 1 < lattice.rows; ++row) {
    for (int column = 0; column + 1 < lattice.columns; ++column) {
      if (!lattice.has(column, row) || !lattice.has(column + 1, row) ||
          !lattice.has(column, row + 1) || !lattice.has(column + 1, row + 1)) {
        continue;
      }
      const int parity = (row + column) % 2;
      sum[parity] += square_grey(grey, lattice, column, row);
      ++count[parity];
    }
  }
  return sum[0] / std::max(1, count[0]) - sum[1] / std::max(1, count[1]);
}

double lattice_contrast(const cv::Mat& image, const Lattice& lattice) {
  return std::abs(colour_difference(image, lattice));
}

// Sum of the steps of a lattice in one direction: its mean direction in the image.
cv::Point2f direction_of(const Lattice& lattice, int dc, int dr) {
  cv::Point2f sum;
  for (int row = 0; row < lattice.rows; ++row) {
    for (int column = 0; column < lattice.columns; ++column) {
      if (lattice.has(column, row) && lattice.has(column + dc, row + dr)) {
        sum += lattice.at(column + dc, row + dr) - lattice.at(column, row);
      }
    }
  }
  return sum;
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

std::vector<double> spacings(const Lattice& lattice) {
  std::vector<double> found;
  for (int row = 0; row < lattice.rows; ++row) {
    for (int column = 0; column < lattice.columns; ++column) {
      if (!lattice.has(column, row)) continue;
      const cv::Point2f& here = lattice.at(column, row);
      if (lattice.has(column + 1, row)) {
        found.push_back(cv::norm(lattice.at(column + 1, row) - here));
      }
      if (lattice.has(column, row + 1)) {
        found.push_back(cv::norm(lattice.at(column, row + 1) - here));
      }
    }
  }
  std::sort(found.begin(), found.end());
  return found;
}

// How light and dark squares change over the image: a polynomial each, through the squares'
// middles. A light that falls off across a corner's window would pull the corner towards the bright
// side.
class Shading {
 public:
  Shading(const cv::Mat& grey, const Lattice& lattice) {
    centre_ =
        cv::Point2f(0.5F * static_cast<float>(grey.cols), 0.5F * static_cast<float>(grey.rows));
    scale_ = 1.0 / std::hypot(centre_.x, centre_.y);
    std::vector<cv::Point2f> places[2];
    std::vector<double> levels[2];
    for (int row = 0; row + 1 < lattice.rows; ++row) {
      for (int column = 0; column + 1 < lattice.columns; ++column) {
        if (!lattice.has(column, row) || !lattice.has(column + 1, row) ||
            !lattice.has(column, row + 1) || !lattice.has(column + 1, row + 1)) {
          continue;
        }
        const auto parity = static_cast<std::size_t>((row + column) % 2);
        places[parity].push_back((lattice.at(column, row) + lattice.at(column + 1, row + 1)) *
                                 0.5F);
        levels[parity].push_back(square_grey(grey, lattice, column, row));
      }
    }
    for (const std::size_t parity : {0U, 1U}) fits_[parity] = fit(places[parity], levels[parity]);
  }

  // The part of the image about `p`, dark squares 0 and light ones 1 (or the reverse).
  [[nodiscard]] cv::Mat levelled(const cv::Mat& grey, const cv::Rect& part) const {
    cv::Mat result;
    grey(part).convertTo(result, CV_32F);
    const double least = 1e-3 * (std::abs(fits_[1][0]) + std::abs(fits_[0][0])) + 1e-9;
    for (int y = 0; y < part.height; ++y) {
      auto* row = result.ptr<float>(y);
      for (int x = 0; x < part.width; ++x) {
        const auto terms = terms_at(static_cast<float>(part.x + x), static_cast<float>(part.y + y));
        const double low = fits_[0].dot(terms);
        const double range = fits_[1].dot(terms) - low;
        if (std::abs(range) < least) return {};  // the polynomial ran away: nothing to level by
        row[x] = static_cast<float>((static_cast<double>(row[x]) - low) / range);
      }
    }
    return result;
  }

 private:
  using Terms = Eigen::Vector<double, 6>;
  [[nodiscard]] Terms terms_at(float px, float py) const {
    const double x = scale_ * static_cast<double>(px - centre_.x);
    const double y = scale_ * static_cast<double>(py - centre_.y);
    return {1.0, x, y, x * x, x * y, y * y};
  }
  // As many terms as the squares carry.
  [[nodiscard]] Terms fit(const std::vector<cv::Point2f>& places,
                          const std::vector<double>& levels) const {
    Terms result = Terms::Zero();
    if (places.empty()) return result;
    const Eigen::Index count = places.size() >= 12 ? 6 : places.size() >= 6 ? 3 : 1;
    Eigen::MatrixXd A(static_cast<Eigen::Index>(places.size()), count);
    for (std::size_t i = 0; i < places.size(); ++i) {
      A.row(static_cast<Eigen::Index>(i)) =
          terms_at(places[i].x, places[i].y).head(count).transpose();
    }
    result.head(count) = A.colPivHouseholderQr().solve(
        Eigen::Map<const Eigen::VectorXd>(levels.data(), static_cast<Eigen::Index>(levels.size())));
    return result;
  }

  cv::Point2f centre_;
  double scale_ = 1;
  std::array<Terms, 2> fits_;
};

// Measures the corners in the full image; corners whose window leaves the image or that run away
// from where the detector saw them are left out.
std::vector<BoardCorner> measured(const cv::Mat& grey, const Lattice& lattice, int half_window,
                                  double allowed_move_px) {
  const Shading shading(grey, lattice);
  const cv::Rect2f inside(static_cast<float>(half_window) + 1, static_cast<float>(half_window) + 1,
                          static_cast<float>(grey.cols - 2 * half_window - 3),
                          static_cast<float>(grey.rows - 2 * half_window - 3));
  const int reach = half_window + cvCeil(allowed_move_px) + 3;
  std::vector<BoardCorner> kept;
  for (int row = 0; row < lattice.rows; ++row) {
    for (int column = 0; column < lattice.columns; ++column) {
      if (!lattice.has(column, row) || !inside.contains(lattice.at(column, row))) continue;
      const cv::Point2f& seen = lattice.at(column, row);
      const cv::Rect part =
          cv::Rect(cvRound(seen.x) - reach, cvRound(seen.y) - reach, 2 * reach + 1, 2 * reach + 1) &
          cv::Rect(0, 0, grey.cols, grey.rows);
      const cv::Mat image = shading.levelled(grey, part);
      if (image.empty()) continue;
      const cv::Point2f corner_of_part(static_cast<float>(part.x), static_cast<float>(part.y));
      std::vector<cv::Point2f> point{seen - corner_of_part};
      cv::cornerSubPix(image, point, {half_window, half_window}, {-1, -1},
                       {cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 60, 1e-4});
      const cv::Point2f found = point[0] + corner_of_part;
      if (cv::norm(found - seen) > allowed_move_px || !inside.contains(found)) continue;
      kept.push_back({column, row, {found.x, found.y}});
    }
  }
  return kept;
}

// Share of sound corners in an outer line of the lattice: 0 top, 1 bottom, 2 left, 3 right.
double line_share(const cv::Mat& image, const Lattice& lattice, double contrast, int side) {
  const int length = side < 2 ? lattice.columns : lattice.rows;
  int seen = 0;
  for (int i = 0; i < length; ++i) {
    const int column = side < 2 ? i : side == 2 ? 0 : lattice.columns - 1;
    const int row = side >= 2 ? i : side == 0 ? 0 : lattice.rows - 1;
    if (!lattice.has(column, row)) continue;
    const auto along = step_at(lattice, column, row, 1, 0);
    const auto across = step_at(lattice, column, row, 0, 1);
    const bool sound =
        along && across && is_corner(image, lattice.at(column, row), *along, *across, contrast);
    seen += sound ? 1 : 0;
  }
  return static_cast<double>(seen) / length;
}

// Where the lattice outgrew the board, a dark ground behind the board's margin has played a few
// corners: outer lines that are mostly empty go.
Lattice without_strays(Lattice lattice, const cv::Mat& image, const BoardPattern& pattern) {
  const double contrast = 0.4 * lattice_contrast(image, lattice);
  const int longest = std::max(pattern.columns, pattern.rows);
  const int shortest = std::min(pattern.columns, pattern.rows);
  while (true) {
    const bool wide =
        lattice.columns > longest ||
        (lattice.columns > shortest && lattice.rows > shortest && lattice.rows >= lattice.columns);
    const bool high =
        lattice.rows > longest ||
        (lattice.rows > shortest && lattice.columns > shortest && lattice.columns >= lattice.rows);
    int side = -1;
    double share = 0.6;
    for (int candidate = 0; candidate < 4; ++candidate) {
      if (!(candidate < 2 ? high : wide)) continue;
      const double sound = line_share(image, lattice, contrast, candidate);
      if (sound < share) {
        share = sound;
        side = candidate;
      }
    }
    if (side < 0) return lattice;
    for (int i = 0; i < (side < 2 ? lattice.columns : lattice.rows); ++i) {
      const int column = side < 2 ? i : side == 2 ? 0 : lattice.columns - 1;
      const int row = side >= 2 ? i : side == 0 ? 0 : lattice.rows - 1;
      lattice.at(column, row) = {kMissing, kMissing};
    }
    lattice = trimmed(lattice);
  }
}

bool spans(const Lattice& lattice, const BoardPattern& pattern) {
  return std::minmax(lattice.columns, lattice.rows) == std::minmax(pattern.columns, pattern.rows);
}

bool is_whole(const Lattice& lattice, const BoardPattern& pattern) {
  return spans(lattice, pattern) && lattice.count() == pattern.columns * pattern.rows;
}

// The board in the reduced image: a seed grown as far as the image goes; where that is not the
// whole board as given, the exact detector may know better.
std::optional<Lattice> find_lattice(const cv::Mat& plain, const cv::Mat& level,
                                    const BoardPattern& pattern) {
  std::optional<Lattice> seed = find_seed(plain, level);
  if (seed && !looks_like_board(plain, *seed)) seed.reset();
  if (seed) *seed = without_strays(grown(std::move(*seed), plain), plain, pattern);
  if (seed && is_whole(*seed, pattern)) return seed;
  const bool too_large = seed && seed->columns * seed->rows > pattern.columns * pattern.rows;
  std::optional<Lattice> exact;
  // A larger board would let a part of itself be found.
  if (!too_large) exact = find_exact(plain, level, pattern);
  if (!exact && !seed) exact = find_thorough(plain, pattern);
  if (exact && looks_like_board(plain, *exact)) return exact;
  return seed;
}

// Why a lattice can't be used; empty where it can.
std::string objection(const std::optional<Lattice>& lattice, const BoardPattern& pattern,
                      bool allow_partial) {
  if (!lattice) {
    return fmt::format(
        "no checkerboard of {} x {} inner corners is seen, nor a part of 3 x 3 corners",
        pattern.columns, pattern.rows);
  }
  const auto [short_side, long_side] = std::minmax(lattice->columns, lattice->rows);
  const auto [short_given, long_given] = std::minmax(pattern.columns, pattern.rows);
  if (long_side > long_given || short_side > short_given) {
    return fmt::format("the board seen has at least {} x {} inner corners, not the {} x {} given",
                       long_side, short_side, pattern.columns, pattern.rows);
  }
  if (!allow_partial && !is_whole(*lattice, pattern)) {
    return fmt::format("only {} of the {} x {} inner corners are seen", lattice->count(),
                       pattern.columns, pattern.rows);
  }
  return {};
}

}  // namespace

BoardView find_board(const cv::Mat& image, const BoardPattern& pattern,
                     const BoardOptions& options) {
  if (pattern.columns < 3 || pattern.rows < 3) {
    throw data_error("A checkerboard needs at least 3 x 3 inner corners; give its true size.");
  }
  const cv::Mat grey = grey_of(image);
  const cv::Mat plain = stretched(reduced(grey, options.search_side_px));
  const cv::Mat level = levelled(plain);

  BoardView view;
  std::optional<Lattice> lattice = find_lattice(plain, level, pattern);
  view.reason = objection(lattice, pattern, options.allow_partial);
  if (!view.reason.empty()) return view;
  view.complete = is_whole(*lattice, pattern);
  const bool spanning = spans(*lattice, pattern);
  *lattice = numbered(std::move(*lattice), plain, pattern, spanning);
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
  view.corners = measured(grey, *lattice, cvRound(view.half_window_px),
                          std::max(0.3 * spacing.front(), 2.0 * factor));
  view.oriented = spanning && (pattern.columns + pattern.rows) % 2 == 1;
  view.found = view.corners.size() >= 9;
  if (!view.found) view.reason = "fewer than 9 corners could be measured";
  return view;
}

}  // namespace trunnion
