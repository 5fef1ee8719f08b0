// Coded boards: a checkerboard whose light squares carry square markers with a number (ChArUco of
// OpenCV's aruco module). Every corner is known by the markers beside it, so any part of the board
// will do.
//
// Layout as OpenCV 4.6 draws it: square (0, 0) is dark, markers are numbered along the rows from 0.
// Boards of OpenCV before 4.6 with an even number of rows of squares begin with a light square;
// that is recognised by itself. Dictionary: the smallest of 50, 100, 250 and 1000 markers of N x N
// bits that has enough; the smaller ones are the beginning of the larger (S. Garrido-Jurado et al.,
// "Generation of fiducial marker dictionaries using mixed integer linear programming", Pattern
// Recognition 51, 2016).
#pragma once

#include "core/checkerboard.h"

namespace trunnion {

inline constexpr int kFewestCodedCorners = 10;

// Side of a marker, mm.
double marker_side_mm(const BoardPattern& pattern);

// Throws a usage error where the pattern can't be a coded board: marker not smaller than 0.9
// squares, bits not 4 to 7, or more markers than the dictionary has.
void check_coded(const BoardPattern& pattern);

// The marker with its border of one cell: bits + 2 cells a side, row by row; true: dark.
std::vector<std::vector<bool>> marker_cells(const BoardPattern& pattern, int id);

// The marker in square (column, row) of the board, squares counted from 0; -1: a dark square.
int marker_at(const BoardPattern& pattern, int column, int row);

// `grey`: one channel, 8 or 16 bit; `plain`: reduced and stretched to 8 bit.
BoardView find_coded(const cv::Mat& grey, const cv::Mat& plain, const BoardPattern& pattern,
                     const BoardOptions& options);

}  // namespace trunnion
