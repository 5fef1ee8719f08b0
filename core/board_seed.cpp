#include "core/board_seed.h"

#include <deque>
#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace {

constexpr double kLeastStep_grey = 8.0;  // of 255, between the sides of an edge

double mean_near(const cv::Mat& image, const cv::Point2f& p) {
  const cv::Rect patch =
      cv::Rect(cvRound(p.x) - 1, cvRound(p.y) - 1, 3, 3) & cv::Rect(0, 0, image.cols, image.rows);
  return patch.area() > 0 ? cv::mean(image(patch))[0] : -1.0;
}

struct Saddle {
  cv::Point2f at;
  float strength = 0;
};

// Where brightness rises one way and falls the other: local maxima of -det of its Hessian (P. R.
// Beaudet, "Rotationally invariant image operators", Int. Joint Conf. Pattern Recognition, 1978).
std::vector<Saddle> saddles_of(const cv::Mat& image) {
  cv::Mat smooth;
  image.convertTo(smooth, CV_32F);
  cv::GaussianBlur(smooth, smooth, {}, 2.0);
  cv::Mat xx;
  cv::Mat yy;
  cv::Mat xy;
  cv::Sobel(smooth, xx, CV_32F, 2, 0);
  cv::Sobel(smooth, yy, CV_32F, 0, 2);
  cv::Sobel(smooth, xy, CV_32F, 1, 1);
  const cv::Mat strength = xy.mul(xy) - xx.mul(yy);
  cv::Mat widest;
  cv::dilate(strength, widest, cv::getStructuringElement(cv::MORPH_RECT, {9, 9}));
  double most = 0;
  cv::minMaxLoc(strength, nullptr, &most);
  std::vector<Saddle> found;
  for (int y = 6; y + 6 < image.rows; ++y) {
    for (int x = 6; x + 6 < image.cols; ++x) {
      const float here = strength.at<float>(y, x);
      if (here < widest.at<float>(y, x) || static_cast<double>(here) < 0.05 * most) continue;
      found.push_back({cv::Point2f(static_cast<float>(x), static_cast<float>(y)), here});
    }
  }
  std::stable_sort(found.begin(), found.end(),
                   [](const Saddle& a, const Saddle& b) { return a.strength > b.strength; });
  if (found.size() > 3000) found.resize(3000);
  return found;
}

// Indices of the saddles next to one.
std::vector<std::size_t> nearest(const std::vector<Saddle>& saddles, const cv::Point2f& p,
                                 std::size_t count) {
  std::vector<std::pair<double, std::size_t>> near;
  for (std::size_t i = 0; i < saddles.size(); ++i) {
    near.emplace_back(cv::norm(saddles[i].at - p), i);
  }
  count = std::min(count, near.size());
  std::partial_sort(near.begin(), near.begin() + static_cast<std::ptrdiff_t>(count), near.end());
  std::vector<std::size_t> list;
  for (std::size_t i = 0; i < count; ++i) list.push_back(near[i].second);
  return list;
}

std::optional<Lattice> square_at(const cv::Mat& image, const std::vector<Saddle>& saddles,
                                 std::size_t first) {
  const cv::Point2f& p = saddles[first].at;
  const auto near = nearest(saddles, p, 9);
  for (std::size_t i = 1; i < near.size(); ++i) {
    for (std::size_t j = i + 1; j < near.size(); ++j) {
      const cv::Point2f u = saddles[near[i]].at - p;
      const cv::Point2f v = saddles[near[j]].at - p;
      const double side = std::min(cv::norm(u), cv::norm(v));
      if (side < 6.0 || std::abs(u.cross(v)) < 0.25 * cv::norm(u) * cv::norm(v)) continue;
      const cv::Point2f q = saddles[nearest(saddles, p + u + v, 1)[0]].at;
      if (cv::norm(q - p - u - v) > 0.25 * side) continue;
      if (is_edge(image, p, p + u, v) && is_edge(image, p, p + v, u) &&
          is_edge(image, p + u, q, u) && is_edge(image, p + v, q, v)) {
        return Lattice{2, 2, {p, p + u, p + v, q}};
      }
    }
  }
  return std::nullopt;
}

}  // namespace

bool is_edge(const cv::Mat& image, const cv::Point2f& from, const cv::Point2f& to,
             const cv::Point2f& across) {
  double least = 1e9;
  double most = 0;
  int sign = 0;
  for (const float t : {0.25F, 0.5F, 0.75F}) {
    const cv::Point2f at = from + (to - from) * t;
    const double one = mean_near(image, at + across * 0.25F);
    const double other = mean_near(image, at - across * 0.25F);
    if (one < 0 || other < 0) return false;
    const int here = one > other ? 1 : -1;
    if (sign != 0 && here != sign) return false;
    sign = here;
    least = std::min(least, std::abs(one - other));
    most = std::max(most, std::abs(one - other));
  }
  return least > kLeastStep_grey && least > 0.35 * most;
}

std::optional<Lattice> joined_part(const cv::Mat& image, const Lattice& lattice) {
  const auto index = [&](int column, int row) {
    return static_cast<std::size_t>(row * lattice.columns + column);
  };
  const auto joined = [&](int column, int row, int dc, int dr) {
    if (!lattice.has(column, row) || !lattice.has(column + dc, row + dr)) return false;
    const auto across = step_at(lattice, column, row, dr, dc);
    return across &&
           is_edge(image, lattice.at(column, row), lattice.at(column + dc, row + dr), *across);
  };
  std::vector<int> part(lattice.points.size(), -1);
  std::vector<int> sizes;
  for (int row = 0; row < lattice.rows; ++row) {
    for (int column = 0; column < lattice.columns; ++column) {
      if (!lattice.has(column, row) || part[index(column, row)] >= 0) continue;
      const auto name = static_cast<int>(sizes.size());
      sizes.push_back(0);
      std::deque<cv::Point> open{{column, row}};
      part[index(column, row)] = name;
      while (!open.empty()) {
        const cv::Point here = open.front();
        open.pop_front();
        ++sizes.back();
        for (const cv::Point way : {cv::Point(1, 0), {-1, 0}, {0, 1}, {0, -1}}) {
          const cv::Point next = here + way;
          if (!lattice.has(next.x, next.y) || part[index(next.x, next.y)] >= 0) continue;
          if (!joined(here.x, here.y, way.x, way.y)) continue;
          part[index(next.x, next.y)] = name;
          open.push_back(next);
        }
      }
    }
  }
  if (sizes.empty()) return std::nullopt;
  const auto largest =
      static_cast<int>(std::max_element(sizes.begin(), sizes.end()) - sizes.begin());
  Lattice kept = lattice;
  for (std::size_t i = 0; i < part.size(); ++i) {
    if (part[i] != largest) kept.points[i] = {kMissing, kMissing};
  }
  kept = trimmed(kept);
  for (int row = 0; row + 1 < kept.rows; ++row) {
    for (int column = 0; column + 1 < kept.columns; ++column) {
      if (kept.has(column, row) && kept.has(column + 1, row) && kept.has(column, row + 1) &&
          kept.has(column + 1, row + 1)) {
        return kept;
      }
    }
  }
  return std::nullopt;
}

std::vector<Lattice> seed_squares(const cv::Mat& image, std::size_t most) {
  std::vector<Lattice> squares;
  const std::vector<Saddle> saddles = saddles_of(image);
  if (saddles.size() < 4) return squares;
  const std::size_t step = std::max<std::size_t>(1, saddles.size() / 60);
  for (std::size_t i = 0; i < saddles.size() && squares.size() < most; i += step) {
    if (auto square = square_at(image, saddles, i)) squares.push_back(std::move(*square));
  }
  return squares;
}

}  // namespace trunnion
