// Chooses the model by prediction: every candidate is fitted to some of the boards and judged on
// the others, of which half the corners give the board's position and the other half the error.
//
// The simplest candidate whose mean held-out error lies within one standard error of the best
// one's (of the paired differences over the boards) wins: the one-standard-error rule (L. Breiman,
// J. Friedman, R. Olshen, C. Stone, "Classification and Regression Trees", 1984, section 3.4.3).
#pragma once

#include <vector>

#include "stages/calibrate_lens/fit.h"

namespace trunnion::calibrate_lens {

struct Candidate {
  Model model;
  int parameters = 0;
  double held_out_px = 0;      // root mean square over boards
  double worse_than_best = 0;  // mean difference of squares to the best, px^2
  double standard_error = 0;   // of that difference
  bool chosen = false;
};

struct SelectOptions {
  int folds = 5;
  int corners_per_board = 50;  // thinned beyond: more cost time and change no choice
  bool both_projections = false;
};

// Candidates by ascending complexity; exactly one is chosen. `full` is a fit of a rich
// model to all boards: the start of each.
std::vector<Candidate> select_model(const Fit& full, const std::vector<Corners>& boards,
                                    const FitOptions& fit_options, const SelectOptions& options);

// Mean squared held-out error of each board under one model.
std::vector<double> held_out_errors(const Fit& start, const Model& model,
                                    const std::vector<Corners>& boards,
                                    const FitOptions& fit_options, int folds);

}  // namespace trunnion::calibrate_lens
