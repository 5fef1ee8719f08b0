#include "core/board_lattice.h"

namespace trunnion {

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

bool spans(const Lattice& lattice, const BoardPattern& pattern) {
  return std::minmax(lattice.columns, lattice.rows) == std::minmax(pattern.columns, pattern.rows);
}

bool is_whole(const Lattice& lattice, const BoardPattern& pattern) {
  return spans(lattice, pattern) && lattice.count() == pattern.columns * pattern.rows;
}

}  // namespace trunnion
