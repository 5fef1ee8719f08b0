#include "core/board_corners.h"

#include <Eigen/QR>
#include <array>
#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace {

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

}  // namespace

std::vector<BoardCorner> measured_corners(const cv::Mat& grey, const Lattice& lattice,
                                          int half_window, double allowed_move_px) {
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

}  // namespace trunnion
