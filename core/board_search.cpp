#include "core/board_search.h"

#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>

#include "core/board_seed.h"

namespace trunnion {
namespace {

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
// larger boards but may take many seconds to find nothing, so it is tried last.
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
  // Scenes without any board are recognised in milliseconds; searching them to the end takes
  // seconds.
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
        is_corner(image, point[0], *along, *across, contrast) &&
        is_edge(image, lattice.at(from_column, from_row), point[0], *across)) {
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

// Where the lattice outgrew the board, a dark ground behind the board's margin has given a few
// false corners: outer lines that are mostly empty go.
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

// The largest lattice that grows from single squares.
std::optional<Lattice> largest_from_squares(const cv::Mat& plain, const BoardPattern& pattern) {
  std::optional<Lattice> best;
  for (const Lattice& square : seed_squares(plain, 4)) {
    Lattice lattice = without_strays(grown(square, plain), plain, pattern);
    if (lattice.columns < 3 || lattice.rows < 3 || !looks_like_board(plain, lattice)) continue;
    if (!best || lattice.count() > best->count()) best = std::move(lattice);
    if (is_whole(*best, pattern)) break;
  }
  return best;
}

}  // namespace

cv::Mat reduced(const cv::Mat& grey, int side_px) {
  const double factor = static_cast<double>(side_px) / std::max(grey.cols, grey.rows);
  if (factor >= 1.0) return grey;
  cv::Mat small;
  cv::resize(grey, small, {}, factor, factor, cv::INTER_AREA);
  return small;
}

void enlarge(std::vector<cv::Point2f>& points, double factor) {
  for (cv::Point2f& point : points) {
    point = {static_cast<float>((point.x + 0.5) * factor - 0.5),
             static_cast<float>((point.y + 0.5) * factor - 0.5)};
  }
}

double lattice_contrast(const cv::Mat& image, const Lattice& lattice) {
  return std::abs(colour_difference(image, lattice));
}

std::optional<Lattice> find_lattice(const cv::Mat& plain, const cv::Mat& level,
                                    const BoardPattern& pattern) {
  std::optional<Lattice> seed = find_seed(plain, level);
  if (seed && !looks_like_board(plain, *seed)) seed.reset();
  if (seed) seed = joined_part(plain, *seed);
  if (seed) *seed = without_strays(grown(std::move(*seed), plain), plain, pattern);
  if (!seed || !is_whole(*seed, pattern)) {
    auto other = largest_from_squares(plain, pattern);
    // Some corners more may be strays at the edge; many more are the board.
    if (other && (!seed || 10 * other->count() > 13 * seed->count())) seed = std::move(other);
  }
  if (seed && is_whole(*seed, pattern)) return seed;
  const bool too_large = seed && seed->columns * seed->rows > pattern.columns * pattern.rows;
  std::optional<Lattice> exact;
  // A larger board would let a part of itself be found.
  if (!too_large) exact = find_exact(plain, level, pattern);
  if (!exact && !seed) exact = find_thorough(plain, pattern);
  if (exact && looks_like_board(plain, *exact)) return exact;
  return seed;
}

}  // namespace trunnion
