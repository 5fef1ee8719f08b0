// Finds a checkerboard in an image and measures its inner corners to a fraction of a pixel.
//
// The board is looked for in a reduced copy (OpenCV's two detectors, on the plain and on a
// light-levelled image), then every corner is measured in the full image: a corner of a
// checkerboard is the point q that every image gradient near it points past or stands across,
// sum g g^T (q - p) = 0 over a window (W. Foerstner, E. Guelch, "A fast operator for detection and
// precise location of distinct points, corners and centres of circular features", ISPRS
// Intercommission Conference, Interlaken 1987; in OpenCV cornerSubPix). The window follows the
// size of the squares in the image: a window with two corners would bias both.
//
// Numbering: column and row count inner corners from 0; seen in the image, columns turn clockwise
// into rows, so a board seen from its front is never numbered mirrored. Where columns + rows is
// odd, the square between corners (0,0) and (1,1) is a dark one and the numbering is unique
// (`oriented`); otherwise a half turn is ambiguous and corner (0,0) is the one nearest the
// image's top-left. Where part of the board is out of frame, the numbering starts at some corner
// of the visible part: board_numbering.h lists the places of the board that it can be.
//
// Other kinds of board are found by core/coded_board.h and core/circle_grid.h through the same
// function. A place of any board lies at (column, row) * square_mm; on a staggered circle grid the
// columns count half distances, so circles stand where column + row is even.
#pragma once

#include <Eigen/Core>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

namespace trunnion {

enum class BoardKind {
  checkerboard,
  coded,     // checkerboard with a coded marker in each light square (ChArUco)
  circles,   // dark circles on light ground at the corners of squares
  staggered  // the same, every other row shifted by half the distance along a row
};

struct BoardPattern {
  int columns = 9;       // inner corners along the longer side, as a rule; circles of a row
  int rows = 6;          // inner corners; rows of circles
  double square_mm = 1;  // side of a square; circles: distance of neighbours; staggered: of rows
  BoardKind kind = BoardKind::checkerboard;
  double marker_mm = 0;  // coded: side of a marker with its dark border; 0: 0.6 squares
  int marker_bits = 4;   // coded: 4 to 7, the dictionary of N x N bits of OpenCV's aruco module

  // Places of the board in lattice units, from 0.
  [[nodiscard]] int lattice_columns() const {
    return kind == BoardKind::staggered ? 2 * columns : columns;
  }
  [[nodiscard]] int lattice_rows() const { return rows; }
};

struct BoardOptions {
  int search_side_px = 1600;       // longer side of the reduced copy; enough for 60 corners a side
  double half_window_px = 0;       // of the corner measurement; 0: from the size of the squares
  double max_half_window_px = 24;  // more adds time, no precision: the edges are in already
  bool allow_partial = true;       // accept a part of the board of at least 3 x 3 corners
};

struct BoardCorner {
  int column = 0;
  int row = 0;
  Eigen::Vector2d position_px = Eigen::Vector2d::Zero();
};

struct BoardView {
  bool found = false;
  std::string reason;  // where not found: why, as far as known
  int columns = 0;     // of the found part
  int rows = 0;
  bool complete = false;  // the whole board
  bool oriented = false;  // numbering unique
  // Checkerboard: the square after corner (0,0) is dark. Staggered circles: (0,0) is a circle's
  // place. Always true where `oriented`.
  bool first_dark = true;
  // Corners counted along the longer and the shorter side of a board, also where that was refused
  // since it is not the pattern's; 0 where nothing was seen.
  int seen_long = 0;
  int seen_short = 0;
  double square_px = 0;              // median distance of neighbouring corners
  double half_window_px = 0;         // of the corner measurement
  double contrast = 0;               // light minus dark squares, fraction of full scale
  std::vector<BoardCorner> corners;  // by row, then column; unmeasurable ones are left out
};

// Any kind of board. `image` CV_8U or CV_16U, 1, 3 or 4 channels. Throws a data error for other
// types and for patterns of fewer than 3 x 3 corners.
BoardView find_board(const cv::Mat& image, const BoardPattern& pattern,
                     const BoardOptions& options = {});

}  // namespace trunnion
