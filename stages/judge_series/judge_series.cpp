#include "stages/judge_series/judge_series.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

#include "core/median.h"

namespace trunnion::judge_series {
namespace {

// Chosen on the tuning seeds of tests/support/simulated_series.h; of the ends on rendered series
// too.
constexpr double kBlack = 0.3;         // of the brightness around
constexpr double kDropOut = 0.2;       // off the brightness around
constexpr double kTwice = 0.88;        // of the mean square differences before and after, at most
constexpr double kOneStep = 1.25;      // of one step, where two would be more
constexpr double kGap = 1.2;           // the same, at least
constexpr double kMoved = 1.5;         // times the difference of the neighbours from each other
constexpr double kContrast = 3.0;      // of a cell's detail in focus over that out of focus
constexpr double kGrowth = 1.05;       // of a cell's detail from the last frame but one to the last
constexpr double kStillSharp = 0.005;  // share of the cells that have detail
constexpr int kDecline = 5;            // frames that it declines over from the end
constexpr double kFloor = 0.02;        // of the strongest tenth's detail
constexpr std::size_t kFewest = 7;     // frames

double mean_of(const std::vector<float>& values) {
  return std::accumulate(values.begin(), values.end(), 0.0) / static_cast<double>(values.size());
}

double median_around(const std::vector<double>& values, std::size_t i, std::size_t reach) {
  std::vector<double> around;
  for (std::size_t j = i - std::min(i, reach); j <= i + reach && j < values.size(); ++j) {
    if (j != i && std::isfinite(values[j])) around.push_back(values[j]);
  }
  return around.empty() ? std::numeric_limits<double>::quiet_NaN() : median_of(around);
}

// Mean square difference at the ratio of exposures that makes it least; NaN: unknown. Its noise is
// a share that hardly varies over so many cells, so that little above or below it is seen.
double difference(const PreviewGrids& a, const PreviewGrids& b) {
  if (a.fine.empty() || b.fine.size() != a.fine.size()) {
    return std::numeric_limits<double>::quiet_NaN();
  }
  double aa = 1e-9;
  double ab = 0;
  double bb = 0;
  for (std::size_t i = 0; i < a.fine.size(); ++i) {
    const double x = a.fine[i] / 65535.0;
    const double y = b.fine[i] / 65535.0;
    aa += x * x;
    ab += x * y;
    bb += y * y;
  }
  return std::max(1e-12, bb - ab * ab / aa) / static_cast<double>(a.fine.size());
}

class Judge {
 public:
  explicit Judge(const std::vector<SeriesFrame>& frames) : frames_(frames) {
    for (const SeriesFrame& frame : frames) {
      levels_.push_back(frame.grids.grey.empty() ? std::numeric_limits<double>::quiet_NaN()
                                                 : mean_of(frame.grids.grey));
    }
    find_exposure();
    for (std::size_t i = 0; i < frames.size(); ++i) {
      if (!dark_[i] && !frames[i].grids.grey.empty()) good_.push_back(i);
    }
    for (std::size_t g = 0; g + 1 < good_.size(); ++g) {
      steps_.push_back(difference(grids(g), grids(g + 1)));
    }
  }

  void find_exposure() {
    dark_.assign(frames_.size(), false);
    for (std::size_t i = 0; i < frames_.size(); ++i) {
      const double usual = median_around(levels_, i, 4);
      if (!std::isfinite(levels_[i]) || !(usual > 0)) continue;
      const double ratio = levels_[i] / usual;
      dark_[i] = ratio < kBlack;
      if (dark_[i]) {
        add(Fault::flash, i, ratio);
      } else if (std::abs(ratio - 1) > kDropOut) {
        add(Fault::exposure, i, ratio);
        uneven_.push_back(i);
      }
    }
  }

  void find_steps() {
    std::vector<double> times;
    for (std::size_t i = 1; i < frames_.size(); ++i) {
      if (frames_[i].time_s && frames_[i - 1].time_s) {
        times.push_back(*frames_[i].time_s - *frames_[i - 1].time_s);
      }
    }
    const double interval = times.empty() ? 0.0 : median_of(times);
    for (std::size_t g = 0; g + 1 < good_.size(); ++g) {
      const std::size_t a = good_[g];
      const std::size_t b = good_[g + 1];
      const int missing = missing_numbers(a, b);
      if (missing > 0) {
        add(Fault::gap, b, 1.0 + missing);
        continue;
      }
      // A lone step among even ones; the differences themselves go up and down along the series.
      if (b != a + 1 || g == 0 || g + 1 >= steps_.size() || !even(g)) continue;
      const auto [less, more] = std::minmax(steps_[g - 1], steps_[g + 1]);
      // From the frame before a double to the one behind it is one step, not two.
      if (steps_[g] < kTwice * less && across(g, g + 2) < kOneStep * steps_[g + 1]) {
        add(Fault::twice, b, steps_[g] / less);
      }
      if (steps_[g] > kGap * more && waited(a, b, interval)) add(Fault::gap, b, steps_[g] / more);
    }
    for (std::size_t g = 1; g + 1 < good_.size(); ++g) {
      if (outlier(g)) add(Fault::moved, good_[g], steps_[g - 1] / across(g - 1, g + 1));
    }
  }

  void find_ends() {
    if (good_.size() < kFewest) return;
    const std::vector<CellCurve> curves = curves_of_cells();
    if (curves.empty()) return;
    int strong = 0;
    int near = 0;
    int far = 0;
    const double floor = floor_of_detail(curves);
    for (const CellCurve& curve : curves) {
      if (curve.most < kContrast * curve.least || curve.most < floor) continue;
      ++strong;
      if (curve.near) ++near;
      if (curve.far) ++far;
    }
    if (strong < 10) return;
    if (near > kStillSharp * strong) add(Fault::near_depth, good_.front(), 1.0 * near / strong);
    if (far > kStillSharp * strong) add(Fault::far_depth, good_.back(), 1.0 * far / strong);
  }

  std::vector<FaultyFrame> found;

 private:
  void add(Fault fault, std::size_t frame, double measure) {
    found.push_back({fault, frame, measure});
  }

  [[nodiscard]] const PreviewGrids& grids(std::size_t g) const { return frames_[good_[g]].grids; }

  [[nodiscard]] int missing_numbers(std::size_t a, std::size_t b) const {
    if (!frames_[a].number || !frames_[b].number) return 0;
    int step = *frames_[b].number - *frames_[a].number;
    if (step < 0) step += 9999;
    const int missing = step - static_cast<int>(b - a);
    return missing > 0 && missing < 20 ? missing : 0;
  }

  // A frame in between would have taken its time; without times the preview alone decides.
  [[nodiscard]] bool waited(std::size_t a, std::size_t b, double interval) const {
    if (!frames_[a].time_s || !frames_[b].time_s || interval <= 0) return true;
    return *frames_[b].time_s - *frames_[a].time_s > 1.5 * interval;
  }

  // No frame of this step or of those beside it has moved or has another exposure.
  [[nodiscard]] bool even(std::size_t g) const {
    for (std::size_t h = g - 1; h <= g + 2; ++h) {
      if (outlier(h)) return false;
      if (std::find(uneven_.begin(), uneven_.end(), good_[h]) != uneven_.end()) return false;
    }
    return true;
  }

  [[nodiscard]] double across(std::size_t from, std::size_t to) const {
    return difference(grids(from), grids(to));
  }

  [[nodiscard]] bool outlier(std::size_t g) const {
    if (g == 0 || g + 1 >= good_.size()) return false;
    return std::min(steps_[g - 1], steps_[g]) > kMoved * across(g - 1, g + 1);
  }

  // How the detail of a cell goes along the series.
  struct CellCurve {
    double least = 0;
    double most = 0;
    bool near = false;  // sharpest in the first frame, see declines()
    bool far = false;   // the same of the last frame
  };

  // Sharpest in the first of these frames, and less from each to the next.
  template <typename Frame>
  static bool declines(Frame first, double most) {
    if (*first < most || *first <= kGrowth * *(first + 1)) return false;
    for (int i = 1; i < kDecline; ++i) {
      if (*(first + i) <= *(first + i + 1)) return false;
    }
    return true;
  }

  // None where a frame has no such cells.
  [[nodiscard]] std::vector<CellCurve> curves_of_cells() const {
    std::vector<CellCurve> curves(grids(0).detail.size());
    std::vector<double> curve(good_.size());
    for (std::size_t c = 0; c < curves.size(); ++c) {
      for (std::size_t g = 0; g < good_.size(); ++g) {
        if (grids(g).detail.size() != curves.size()) return {};
        const double gain = levels_[good_[g]] > 0 ? levels_[good_[0]] / levels_[good_[g]] : 1.0;
        curve[g] = static_cast<double>(grids(g).detail[c]) * gain * gain;
      }
      const auto [least, most] = std::minmax_element(curve.begin(), curve.end());
      curves[c] = {*least, *most, declines(curve.begin(), *most), declines(curve.rbegin(), *most)};
    }
    return curves;
  }

  // What noise and a preview's compression may show as detail: three times what is there where
  // nothing is sharp, and a share of what is sharp.
  static double floor_of_detail(const std::vector<CellCurve>& curves) {
    std::vector<double> least;
    std::vector<double> most;
    for (const CellCurve& curve : curves) {
      least.push_back(curve.least);
      most.push_back(curve.most);
    }
    const auto strong = most.begin() + static_cast<std::ptrdiff_t>(most.size() * 9 / 10);
    std::nth_element(most.begin(), strong, most.end());
    return std::max({1e-12, kContrast * median_of(least), kFloor * *strong});
  }

  const std::vector<SeriesFrame>& frames_;
  std::vector<double> levels_;
  std::vector<bool> dark_;
  std::vector<std::size_t> uneven_;  // frames of another exposure
  std::vector<std::size_t> good_;    // frames whose previews can be compared
  std::vector<double> steps_;        // differences between them, one after the other
};

}  // namespace

const char* name_of(Fault fault) {
  switch (fault) {
    case Fault::flash:
      return "flash";
    case Fault::exposure:
      return "exposure";
    case Fault::twice:
      return "twice";
    case Fault::gap:
      return "gap";
    case Fault::moved:
      return "moved";
    case Fault::near_depth:
      return "near";
    case Fault::far_depth:
      return "far";
  }
  return "flash";
}

std::vector<FaultyFrame> judge_series(const std::vector<SeriesFrame>& frames, bool ends) {
  Judge judge(frames);
  judge.find_steps();
  if (ends) judge.find_ends();
  std::stable_sort(judge.found.begin(), judge.found.end(),
                   [](const FaultyFrame& a, const FaultyFrame& b) { return a.frame < b.frame; });
  return judge.found;
}

}  // namespace trunnion::judge_series
