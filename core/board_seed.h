// Where the search for a checkerboard begins, and what makes two corners neighbours.
//
// Between two neighbouring corners runs an edge: one side of it is dark, the other light, all
// along. A step across a square has the same colour on both sides, and a step over a corner changes
// its colours half-way, so a lattice that runs along diagonals or leaves out a row has no edges.
#pragma once

#include "core/board_lattice.h"

namespace trunnion {

// Whether one edge runs from `from` to `to`; `across`: a step of the lattice to one side of it.
// `image`: 8 bit.
bool is_edge(const cv::Mat& image, const cv::Point2f& from, const cv::Point2f& to,
             const cv::Point2f& across);

// The largest part of a lattice whose corners are joined by edges; empty where that is less than
// one square.
std::optional<Lattice> joined_part(const cv::Mat& image, const Lattice& lattice);

// Squares of four saddle points of the image's brightness joined by edges, the clearest first, at
// most `most`; each a lattice of 2 x 2 corners.
std::vector<Lattice> seed_squares(const cv::Mat& image, std::size_t most);

}  // namespace trunnion
