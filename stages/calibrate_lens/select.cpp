#include "stages/calibrate_lens/select.h"

#include <algorithm>
#include <cmath>

namespace trunnion::calibrate_lens {
namespace {

// Every n-th used corner; the others are left out of use.
Corners thinned(const Corners& corners, int limit) {
  const int every = (corners.used_count() + limit - 1) / std::max(1, limit);
  if (every <= 1) return corners;
  Corners result = corners;
  int seen = 0;
  for (char& used : result.used) {
    if (used == 0) continue;
    used = seen++ % every == 0 ? 1 : 0;
  }
  return result;
}

// The used corners whose running number is even or odd.
Corners half_of(const Corners& corners, int parity) {
  Corners result = corners;
  int seen = 0;
  for (char& used : result.used) {
    if (used == 0) continue;
    used = seen++ % 2 == parity ? 1 : 0;
  }
  return result;
}

double held_out_error(const Fit& fit, std::size_t board, const Corners& corners) {
  Fit local = fit;
  double sum = 0;
  int count = 0;
  for (int parity = 0; parity < 2; ++parity) {
    const Corners position = half_of(corners, parity);
    const Corners judged = half_of(corners, 1 - parity);
    local.views[board] = fit_view(fit, fit.views[board], position);
    const auto found = residuals(local, board, judged);
    for (std::size_t i = 0; i < found.size(); ++i) {
      if (judged.used[i] == 0) continue;
      sum += found[i].squaredNorm();
      ++count;
    }
  }
  return sum / std::max(1, count);
}

std::vector<Model> candidates_for(Projection projection) {
  std::vector<Model> models;
  for (int radial = 0; radial <= 3; ++radial) {
    for (const bool tangential : {false, true}) {
      for (const bool square : {true, false}) {
        for (const bool free_point : {false, true}) {
          const Model model{projection, radial, tangential, square, free_point};
          if (is_possible(model)) models.push_back(model);
        }
      }
    }
  }
  return models;
}

Projection other(Projection projection) {
  return projection == Projection::perspective ? Projection::telecentric : Projection::perspective;
}

struct Difference {
  double mean = 0;
  double standard_error = 0;
};

// Of paired squared errors, board by board.
Difference compare(const std::vector<double>& a, const std::vector<double>& b) {
  const auto n = static_cast<double>(a.size());
  Difference result;
  double square = 0;
  for (std::size_t v = 0; v < a.size(); ++v) {
    const double difference = a[v] - b[v];
    result.mean += difference / n;
    square += difference * difference / n;
  }
  result.standard_error =
      std::sqrt(std::max(0.0, square - result.mean * result.mean) / std::max(1.0, n - 1.0));
  return result;
}

// The best candidate. Sensors are made with square pixels: others need three standard errors of
// evidence, since among so many candidates one looks better by chance.
std::size_t best_of(const std::vector<Candidate>& candidates,
                    const std::vector<std::vector<double>>& errors) {
  std::size_t any = 0;
  std::size_t square = candidates.size();
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    if (candidates[i].held_out_px < candidates[any].held_out_px) any = i;
    if (candidates[i].model.square_pixels &&
        (square == candidates.size() ||
         candidates[i].held_out_px < candidates[square].held_out_px)) {
      square = i;
    }
  }
  const Difference difference = compare(errors[square], errors[any]);
  return difference.mean > 3.0 * difference.standard_error ? any : square;
}

}  // namespace

std::vector<double> held_out_errors(const Fit& start, const Model& model,
                                    const std::vector<Corners>& boards,
                                    const FitOptions& fit_options, int folds) {
  const auto count = static_cast<int>(boards.size());
  folds = std::min(folds, count);
  std::vector<double> errors(boards.size(), 0.0);
  for (int fold = 0; fold < folds; ++fold) {
    std::vector<Corners> training = boards;
    for (int v = fold; v < count; v += folds) {
      Corners& out = training[static_cast<std::size_t>(v)];
      std::fill(out.used.begin(), out.used.end(), static_cast<char>(0));
    }
    const Fit fit = fit_from(start, model, training, fit_options);
    for (int v = fold; v < count; v += folds) {
      const auto board = static_cast<std::size_t>(v);
      errors[board] = held_out_error(fit, board, boards[board]);
    }
  }
  return errors;
}

std::vector<Candidate> select_model(const Fit& full, const std::vector<Corners>& boards,
                                    const FitOptions& fit_options, const SelectOptions& options) {
  std::vector<Corners> used;
  Fit start = full;
  start.views.clear();
  for (std::size_t v = 0; v < boards.size(); ++v) {
    if (boards[v].used_count() < 8) continue;
    used.push_back(thinned(boards[v], options.corners_per_board));
    start.views.push_back(full.views[v]);
  }
  std::vector<Model> models = candidates_for(full.model.projection);
  if (options.both_projections) {
    const auto more = candidates_for(other(full.model.projection));
    models.insert(models.end(), more.begin(), more.end());
  }
  std::stable_sort(models.begin(), models.end(),
                   [](const Model& a, const Model& b) { return complexity(a) < complexity(b); });
  std::vector<Candidate> candidates;
  std::vector<std::vector<double>> errors;
  for (const Model& model : models) {
    errors.push_back(held_out_errors(start, model, used, fit_options, options.folds));
    double sum = 0;
    for (const double error : errors.back()) sum += error;
    Candidate candidate;
    candidate.model = model;
    candidate.parameters = parameter_count(model);
    candidate.held_out_px = std::sqrt(sum / static_cast<double>(used.size()));
    candidates.push_back(candidate);
  }
  const std::size_t best = best_of(candidates, errors);
  std::size_t chosen = best;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    const Difference difference = compare(errors[i], errors[best]);
    const double mean = difference.mean;
    candidates[i].worse_than_best = mean;
    candidates[i].standard_error = difference.standard_error;
    if (!candidates[i].model.square_pixels && candidates[best].model.square_pixels) continue;
    const bool as_good = mean <= candidates[i].standard_error;
    const bool simpler = complexity(candidates[i].model) < complexity(candidates[chosen].model);
    const bool better_equal =
        complexity(candidates[i].model) == complexity(candidates[chosen].model) &&
        candidates[i].held_out_px < candidates[chosen].held_out_px;
    if (as_good && (simpler || better_equal)) chosen = i;
  }
  candidates[chosen].chosen = true;
  return candidates;
}

}  // namespace trunnion::calibrate_lens
