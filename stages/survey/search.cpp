#include "stages/survey/search.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "core/vector_code.h"
#include "stages/survey/judge.h"
#include "stages/survey/response.h"
#include "stages/survey/settle.h"

namespace trunnion::survey {
namespace {

constexpr std::array kFinest{3.0, 4.0, 5.3, 7.0};  // diameters, px of the level
constexpr std::array kCoarser{4.7, 6.2, 8.2};      // each twice as large a level up
constexpr std::size_t kJudgedAtOnce = 64;          // whatever the number of threads

std::vector<Level> pyramid_of(std::vector<cv::Mat> logs, LightNoise noise,
                              const std::vector<cv::Point2d>& defects,
                              const SearchOptions& options) {
  std::vector<Level> levels;
  for (double scale = 1; scale == 1 || kCoarser[0] * scale <= options.greatest_diameter;
       scale *= 2) {
    if (std::min(logs.front().cols, logs.front().rows) < 16) break;
    if (scale > 1) {
      for (cv::Mat& log : logs) {
        cv::Mat half;
        cv::resize(log(cv::Rect(0, 0, log.cols / 2 * 2, log.rows / 2 * 2)), half,
                   {log.cols / 2, log.rows / 2}, 0, 0, cv::INTER_AREA);
        log = half;
      }
      noise.at_zero /= 4;
      noise.per_level /= 4;
    }
    Level level;
    level.scale = scale;
    level.field = static_gradient(logs, noise);
    leave_out(level.field, defects, {}, scale);
    if (scale == 1) {
      level.diameters.assign(kFinest.begin(), kFinest.end());
    } else {
      level.diameters.assign(kCoarser.begin(), kCoarser.end());
    }
    levels.push_back(level);
  }
  return levels;
}

// Rows of what responds most, and by which diameter.
struct Best {
  float* __restrict strength;
  float* __restrict scatter;
  float* __restrict diameter;
};

TRUNNION_VECTOR_CODE [[gnu::noinline]] void keep_stronger(const float* __restrict strength,
                                                          const float* __restrict scatter,
                                                          float diameter, std::size_t count,
                                                          const Best& best) {
  for (std::size_t x = 0; x < count; ++x) {
    const bool more = strength[x] > best.strength[x];
    best.strength[x] = more ? strength[x] : best.strength[x];
    best.scatter[x] = more ? scatter[x] : best.scatter[x];
    best.diameter[x] = more ? diameter : best.diameter[x];
  }
}

std::vector<Candidate> candidates_of(const std::vector<Level>& levels, std::size_t index,
                                     const SpeckJudge& judge) {
  std::vector<Candidate> candidates;
  const Level& level = levels[index];
  const cv::Size size = level.field.x.size();
  cv::Mat best = cv::Mat::zeros(size, CV_32FC1);
  cv::Mat diameter = best.clone();
  cv::Mat spread(size, CV_32FC1, cv::Scalar(1));
  const auto take = [&](const Response& response) {
    for (int y = 0; y < size.height; ++y) {
      keep_stronger(response.strength.ptr<float>(y), response.scatter.ptr<float>(y),
                    static_cast<float>(response.diameter), static_cast<std::size_t>(size.width),
                    {best.ptr<float>(y), spread.ptr<float>(y), diameter.ptr<float>(y)});
    }
  };
  respond(level, take);
  cv::Mat around;
  cv::dilate(best, around, cv::Mat::ones(5, 5, CV_8U));
  const std::array least{static_cast<float>(judge.screening_strength(1, 0)),
                         static_cast<float>(judge.screening_strength(1, 1))};
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const bool busy = level.field.texture.at<float>(y, x) >= kTextured;
      const float strength = best.at<float>(y, x);
      if (strength < least.at(busy ? 1 : 0) || strength < around.at<float>(y, x)) continue;
      Candidate candidate;
      candidate.level = index;
      candidate.texture = std::min(1.0F, level.field.texture.at<float>(y, x) / kTextured);
      candidate.speck.centre = cv::Point(x, y);
      candidate.speck.diameter = diameter.at<float>(y, x);
      candidate.speck.strength = strength;
      candidate.speck.scatter = spread.at<float>(y, x);
      candidates.push_back(candidate);
    }
  }
  return candidates;
}

// Whether what was taken out since may lie where judging the candidate looked: its fit grows up to
// twice the candidate's size, and its surroundings are examined as far as it is wide again.
bool touched(const Candidate& candidate, double scale, const std::vector<Speck>& taken) {
  const cv::Point2d centre = at_finest(candidate.speck, scale).centre;
  const double looked_at = scale * (4 * candidate.speck.diameter + 12);
  return std::any_of(taken.begin(), taken.end(), [&](const Speck& speck) {
    return cv::norm(speck.centre - centre) < looked_at + reach_of(speck) + 2;
  });
}

}  // namespace

SearchResult find_specks(const std::vector<cv::Mat>& logs, const LightNoise& noise,
                         const std::vector<cv::Point2d>& defects, const SearchOptions& options) {
  std::vector<Level> levels = pyramid_of(logs, noise, defects, options);
  const SpeckJudge judge(logs, noise, options);
  std::vector<std::vector<Candidate>> by_level(levels.size());
  tbb::parallel_for(std::size_t{0}, levels.size(),
                    [&](std::size_t k) { by_level[k] = candidates_of(levels, k, judge); });
  std::vector<Candidate> candidates;
  for (const std::vector<Candidate>& some : by_level) {
    candidates.insert(candidates.end(), some.begin(), some.end());
  }
  std::stable_sort(candidates.begin(), candidates.end(), [](const auto& a, const auto& b) {
    return a.speck.strength > b.speck.strength;
  });
  SearchResult result;
  std::vector<SpeckJudgement> judged;
  std::vector<Speck> taken;
  for (std::size_t first = 0; first < candidates.size(); first += kJudgedAtOnce) {
    const std::size_t count = std::min(kJudgedAtOnce, candidates.size() - first);
    judged.assign(count, {});
    tbb::parallel_for(std::size_t{0}, count, [&](std::size_t k) {
      judged[k] = judge.judge(levels, candidates[first + k]);
    });
    taken.clear();
    for (std::size_t k = 0; k < count; ++k) {
      const Candidate& candidate = candidates[first + k];
      SpeckJudgement& here = judged[k];
      if (touched(candidate, levels[candidate.level].scale, taken)) {
        here = judge.judge(levels, candidate);
      }
      if (here.verdict == SpeckVerdict::doubtful || here.verdict == SpeckVerdict::likely) {
        ++result.doubtful;
      }
      if (here.verdict < SpeckVerdict::likely) continue;
      result.specks.push_back({here.speck, {}});
      for (Level& other : levels) take_out(other.field, here.speck, other.scale);
      taken.push_back(here.speck);
    }
  }
  const double longest = kLongest * options.greatest_diameter;
  tbb::parallel_for(std::size_t{0}, result.specks.size(), [&](std::size_t k) {
    FoundSpeck& found = result.specks[k];
    const SettledSpeck settled = settle(logs, noise, defects, found.speck, longest);
    found = {settled.speck, settled.transmission};
  });
  // What another speck nearby had left over does not outlast its settling.
  std::erase_if(result.specks, [&](const FoundSpeck& found) {
    return std::abs(found.speck.depth) < 0.5 * options.least_depth;
  });
  return result;
}

}  // namespace trunnion::survey
