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
// of the visible part (`complete` is false): good for a lens, not for following one board.
#pragma once

#include <Eigen/Core>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

namespace trunnion {

struct BoardPattern {
  int columns = 9;       // inner corners along the longer side, as a rule
  int rows = 6;          // inner corners
  double square_mm = 1;  // side of a square
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
  bool complete = false;             // the whole board
  bool oriented = false;             // numbering unique
  double square_px = 0;              // median distance of neighbouring corners
  double half_window_px = 0;         // of the corner measurement
  double contrast = 0;               // light minus dark squares, fraction of full scale
  std::vector<BoardCorner> corners;  // by row, then column; unmeasurable ones are left out
};

// `image` CV_8U or CV_16U, 1, 3 or 4 channels. Throws a data error for other types and for
// patterns of fewer than 3 x 3 corners.
BoardView find_board(const cv::Mat& image, const BoardPattern& pattern,
                     const BoardOptions& options = {});

}  // namespace trunnion
