// Compare calibrations: has a setup moved since an earlier calibration, beyond what both are
// uncertain by?
//
// Both are independent measurements x1, x2 of the same parameters with covariances C1, C2. If
// nothing moved, d = x2 - x1 has the covariance C1 + C2 and d^T (C1 + C2)^-1 d follows the
// chi-square distribution with as many degrees of freedom as there are parameters (K.-R. Koch,
// "Parameter Estimation and Hypothesis Testing in Linear Models", 2nd ed., 1999, section 4.2);
// directions without variance in both are left out. Parameters are correlated: one by one they can
// look still while together they have moved, and the test of all decides.
//
// As pixels: how far the image of a fixed ray of the camera has shifted over the image, and what is
// left of that after the shift, turn and scale that an exterior orientation takes up; both beside
// the shift that the uncertainties alone would make.
#pragma once

#include <string>
#include <vector>

#include "config/calibration_record.h"
#include "core/finding.h"

namespace trunnion::compare_calibrations {

struct Change {
  std::string what;  // "fx", "ring low: direction about X", ...
  std::string unit;
  double before = 0;
  double now = 0;
  double sigma = 0;   // of the difference
  double sigmas = 0;  // |difference| / sigma; 0 where neither is uncertain
};

// A group of parameters that is tested as one.
struct Group {
  std::string name;  // "lens", "axis of ring low"
  std::vector<Change> changes;
  int freedom = 0;  // degrees of freedom
  double chi_square = 0;
  double probability = 1;  // of a chi-square as large or larger if nothing moved
  bool moved = false;      // probability below the options' limit
};

struct PixelShift {
  double rms_px = 0;
  double largest_px = 0;
  double expected_rms_px = 0;  // by the uncertainties alone
};

struct Comparison {
  std::vector<Group> groups;
  PixelShift ray;    // of the image of a fixed ray
  PixelShift shape;  // after shift, turn and scale
  bool moved = false;
  std::string verdict;
  Findings findings;
};

struct CompareOptions {
  double least_probability = 0.001;  // common practice, no source: one false alarm in a thousand
};

// Throws a data error where the records hold nothing in common, or cameras of another projection or
// image size.
Comparison compare_calibrations(const CalibrationRecord& before, const CalibrationRecord& now,
                                const CompareOptions& options = {});

// Probability that a chi-square variable is as large or larger: the regularised incomplete gamma
// function Q(freedom / 2, x / 2) (Abramowitz and Stegun 26.4.19, 6.5.29 and 6.5.31).
double chi_square_tail(double x, int freedom);

}  // namespace trunnion::compare_calibrations
