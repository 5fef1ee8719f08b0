#include "stages/survey_search.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "stages/survey_agreement.h"

namespace trunnion {
namespace {

constexpr std::array kFinest{3.0, 4.0, 5.3, 7.0};  // diameters, px of the level
constexpr std::array kCoarser{4.7, 6.2, 8.2};      // each twice as large a level up
constexpr double kGlance = 0.9;          // of the significance: worth a fit, which adds strength
constexpr double kGlanceTexture = 0.65;  // the same before texture, where agreement decides
constexpr double kWeakest = 4.2;         // strength below which no agreement helps
constexpr double kRoughest = 1.0;        // mean chi-squared of the sectors that the shape explains
// The same of pure noise: seven degrees of freedom exceed it in 2.4 % of all cases.
constexpr double kRoughestNoise = 2.3;
constexpr double kUnquiet =
    1.3;  // surroundings (see SpeckSupport) in which weak ones are not doubts
constexpr int kLeastSectors = 6;      // of eight
constexpr int kScatterPx = 60;        // within which strengths are compared
constexpr float kTextured = 0.5F;     // share from which texture rules a pixel
constexpr std::size_t kEnough = 200;  // pixels to tell a scatter from

struct Level {
  StaticGradient field;
  double scale = 1;  // px of the finest level
  std::vector<double> diameters;
};

struct Candidate {
  std::size_t level = 0;
  Speck speck;  // px of its level
  double texture = 0;
};

struct Matched {
  cv::Mat depth;     // CV_32FC1
  cv::Mat strength;  // CV_32FC1, signed
};

// Depth and strength of a round speck at every pixel.
Matched match(const StaticGradient& field, double diameter) {
  const Speck shape{{0, 0}, diameter, 0, 0, 0.4, 0, 0, 1};
  const int reach = static_cast<int>(std::ceil(0.7 * diameter)) + 1;
  const int around = 2 * static_cast<int>(std::lround(0.5 * diameter)) + 1;
  cv::Mat product;
  cv::Mat information;
  for (const bool down : {false, true}) {
    const cv::Mat kernel = gradient_of(shape, reach, down);
    const cv::Mat& weight = down ? field.weight_y : field.weight_x;
    cv::Mat part;
    cv::filter2D(weight.mul(down ? field.y : field.x), part, CV_32F, -kernel, cv::Point(-1, -1), 0,
                 cv::BORDER_CONSTANT);
    product = down ? cv::Mat(product + part) : part.clone();
    // Weights vary little over a speck; what passes here is weighed exactly later.
    cv::blur(weight, part, {around, around}, cv::Point(-1, -1), cv::BORDER_CONSTANT);
    part *= cv::norm(kernel, cv::NORM_L2SQR);
    information = down ? cv::Mat(information + part) : part.clone();
  }
  Matched matched;
  information = cv::max(information, 1e-6F);
  matched.depth = product / information;
  cv::sqrt(information, information);
  matched.strength = product / information;
  return matched;
}

// Sigma of values of which most are zero on the average, from their median size.
float sigma_of(std::vector<float>& sizes) {
  if (sizes.size() < kEnough) return 0;
  const auto middle = sizes.begin() + static_cast<std::ptrdiff_t>(sizes.size() / 2);
  std::nth_element(sizes.begin(), middle, sizes.end());
  return 1.4826F * *middle;
}

// The same within kScatterPx of each pixel.
cv::Mat sigma_around(const cv::Mat& strength) {
  constexpr int kShrink = 3;
  constexpr double kScale = 20;  // keeps sigmas of up to 18 in a byte
  cv::Mat small;
  cv::resize(cv::abs(strength), small,
             {std::max(1, strength.cols / kShrink), std::max(1, strength.rows / kShrink)}, 0, 0,
             cv::INTER_NEAREST);
  cv::Mat median;
  small.convertTo(median, CV_8U, kScale);
  cv::medianBlur(median, median, 2 * (kScatterPx / kShrink / 2) + 1);
  cv::resize(median, median, strength.size(), 0, 0, cv::INTER_LINEAR);
  cv::Mat sigma;
  median.convertTo(sigma, CV_32F, 1.4826 / kScale);
  return sigma;
}

cv::Mat scatter_of(const cv::Mat& strength, const cv::Mat& texture) {
  std::vector<float> busy;
  std::vector<float> calm;
  for (int y = 0; y < strength.rows; y += 2) {
    for (int x = 0; x < strength.cols; x += 2) {
      (texture.at<float>(y, x) > kTextured ? busy : calm)
          .push_back(std::abs(strength.at<float>(y, x)));
    }
  }
  const float in_texture = sigma_of(busy);
  const float in_noise = sigma_of(calm);
  cv::Mat share;
  cv::GaussianBlur(texture, share, {0, 0}, 4.0);
  cv::Mat scatter = sigma_around(strength);
  for (int y = 0; y < scatter.rows; ++y) {
    for (int x = 0; x < scatter.cols; ++x) {
      const float w = std::min(1.0F, share.at<float>(y, x) / kTextured);
      const float variance = w * in_texture * in_texture + (1 - w) * in_noise * in_noise;
      float& at = scatter.at<float>(y, x);
      at = std::max({1.0F, at, std::sqrt(variance)});
    }
  }
  return scatter;
}

// Takes the weight from what touches one of the pixels, given in px of the finest level.
void leave_out(Level& level, const std::vector<cv::Point2d>& pixels) {
  for (const cv::Point2d& pixel : pixels) {
    const cv::Point at(static_cast<int>(std::lround((pixel.x + 0.5) / level.scale - 0.5)),
                       static_cast<int>(std::lround((pixel.y + 0.5) / level.scale - 0.5)));
    const cv::Rect around =
        cv::Rect(at.x - 2, at.y - 2, 4, 4) & cv::Rect({0, 0}, level.field.x.size());
    level.field.weight_x(around).setTo(0);
    level.field.weight_y(around).setTo(0);
  }
}

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
    leave_out(level, defects);
    if (scale == 1) {
      level.diameters.assign(kFinest.begin(), kFinest.end());
    } else {
      level.diameters.assign(kCoarser.begin(), kCoarser.end());
    }
    levels.push_back(level);
  }
  return levels;
}

Speck at_finest(const Speck& speck, double scale) {
  Speck finest = speck;
  finest.centre = scale * (speck.centre + cv::Point2d(0.5, 0.5)) - cv::Point2d(0.5, 0.5);
  finest.diameter *= scale;
  finest.half_length *= scale;
  return finest;
}

// Strength from which a speck is believed.
double sure_of(double depth, double texture, const SearchOptions& options) {
  return (options.significance + options.in_texture * texture) *
         (depth < 0 ? options.brightening : 1.0);
}

// What is made of a candidate.
enum class Verdict { none, doubtful, likely, speck };  // likely: taken for one meanwhile

struct Judgement {
  Verdict verdict = Verdict::none;
  Speck speck;  // px of the finest level
};

class Judge {
 public:
  Judge(const std::vector<cv::Mat>& logs, const LightNoise& noise, const SearchOptions& options)
      : logs_(logs), noise_(noise), options_(options) {}

  [[nodiscard]] static bool decided_by_agreement(double depth, double texture) {
    return texture >= 1 && depth > 0;
  }

  // Strength from which a candidate is worth its fit.
  [[nodiscard]] double glance(double depth, double texture) const {
    const double share = decided_by_agreement(depth, texture) ? kGlanceTexture : kGlance;
    return share * sure_of(depth, texture, options_);
  }

  // The candidate's speck, fitted on its own level or, where that is coarse and neighbouring edges
  // disturb it there, on the finest one.
  [[nodiscard]] Judgement judge(const std::vector<Level>& levels,
                                const Candidate& candidate) const {
    const Level& own = levels[candidate.level];
    // A stronger one that was taken out may have been all there was.
    Speck speck = candidate.speck;
    weigh(own.field, speck);
    if (speck.strength < glance(speck.depth, candidate.texture)) return {};
    speck = fit_speck(own.field, candidate.speck);
    const Verdict verdict = verdict_of(own, speck, candidate.texture);
    if (verdict >= Verdict::likely) return {verdict, at_finest(speck, own.scale)};
    const Level& finest = levels.front();
    speck = at_finest(candidate.speck, own.scale);
    const cv::Rect inside({0, 0}, finest.field.x.size());
    const cv::Point at(speck.centre);
    if (candidate.level == 0 || !inside.contains(at) ||
        finest.field.texture.at<float>(at) > kTextured) {
      return {verdict, {}};
    }
    speck.scatter = 1;  // noise alone
    weigh(finest.field, speck);
    if (speck.strength < kGlance * sure_of(speck.depth, 0, options_)) return {verdict, {}};
    speck = fit_speck(finest.field, speck);
    return {verdict_of(finest, speck, candidate.texture), speck};
  }

 private:
  [[nodiscard]] Verdict verdict_of(const Level& level, const Speck& speck, double texture) const {
    const cv::Rect inside({0, 0}, level.field.x.size());
    const double length = speck.diameter + 2 * speck.half_length;
    if (!inside.contains(cv::Point(speck.centre)) || std::abs(speck.depth) < options_.least_depth ||
        speck.diameter * level.scale < options_.least_diameter ||
        length * level.scale > options_.greatest_diameter) {
      return Verdict::none;
    }
    if (speck.strength < glance(speck.depth, texture)) return Verdict::none;
    const SpeckSupport support = support_of(level.field, speck);
    const double noisy = support.noise * (1 - texture);
    const double roughest = kRoughest + noisy * (kRoughestNoise - kRoughest);
    if (support.sectors < kLeastSectors || support.roughness > roughest) return Verdict::none;
    const bool by_agreement = decided_by_agreement(speck.depth, texture);
    if (by_agreement && logs_.size() >= kAgreementStations) {
      return agreed(level, speck, support) ? Verdict::speck : Verdict::none;
    }
    const double sure = sure_of(speck.depth, texture, options_) * support.surroundings;
    if (speck.strength >= sure) return by_agreement ? Verdict::likely : Verdict::speck;
    const bool drawn_out = speck.half_length > 0.5 * speck.diameter;
    if (support.surroundings > kUnquiet || speck.strength < kWeakest || drawn_out) {
      return Verdict::none;
    }
    return Verdict::doubtful;
  }

  // Both strengths are divided by the surroundings, agreement by their square: an edge that stands
  // still agrees with itself.
  [[nodiscard]] bool agreed(const Level& level, const Speck& speck,
                            const SpeckSupport& support) const {
    LightNoise noise = noise_;
    noise.at_zero /= level.scale * level.scale;
    noise.per_level /= level.scale * level.scale;
    const double agreement = agreement_of(logs_, noise, speck, static_cast<int>(level.scale));
    return std::sqrt(speck.strength * agreement / std::pow(support.surroundings, 3)) >=
           options_.agreed;
  }

  const std::vector<cv::Mat>& logs_;
  LightNoise noise_;
  const SearchOptions& options_;
};

void add_candidates(const std::vector<Level>& levels, std::size_t index, const Judge& judge,
                    std::vector<Candidate>& candidates) {
  const Level& level = levels[index];
  const cv::Size size = level.field.x.size();
  cv::Mat best = cv::Mat::zeros(size, CV_32FC1);
  cv::Mat depth = best.clone();
  cv::Mat diameter = best.clone();
  cv::Mat spread(size, CV_32FC1, cv::Scalar(1));
  for (const double d : level.diameters) {
    const Matched matched = match(level.field, d);
    const cv::Mat scatter = scatter_of(matched.strength, level.field.texture);
    const cv::Mat strength = cv::abs(matched.strength) / scatter;
    const cv::Mat more = strength > best;
    strength.copyTo(best, more);
    matched.depth.copyTo(depth, more);
    scatter.copyTo(spread, more);
    diameter.setTo(d, more);
  }
  cv::Mat around;
  cv::dilate(best, around, cv::Mat::ones(5, 5, CV_8U));
  const std::array least{static_cast<float>(judge.glance(1, 0)),
                         static_cast<float>(judge.glance(1, 1))};
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
      candidate.speck.depth = depth.at<float>(y, x);
      candidate.speck.strength = strength;
      candidate.speck.scatter = spread.at<float>(y, x);
      candidates.push_back(candidate);
    }
  }
}

}  // namespace

SearchResult find_specks(const std::vector<cv::Mat>& logs, const LightNoise& noise,
                         const std::vector<cv::Point2d>& defects, const SearchOptions& options) {
  std::vector<Level> levels = pyramid_of(logs, noise, defects, options);
  const Judge judge(logs, noise, options);
  std::vector<Candidate> candidates;
  for (std::size_t k = 0; k < levels.size(); ++k) {
    add_candidates(levels, k, judge, candidates);
  }
  std::stable_sort(candidates.begin(), candidates.end(), [](const auto& a, const auto& b) {
    return a.speck.strength > b.speck.strength;
  });
  SearchResult result;
  for (const Candidate& candidate : candidates) {
    const Judgement judged = judge.judge(levels, candidate);
    if (judged.verdict == Verdict::doubtful || judged.verdict == Verdict::likely) ++result.doubtful;
    if (judged.verdict < Verdict::likely) continue;
    result.specks.push_back({judged.speck, transmission_of(levels.front().field, judged.speck)});
    for (Level& other : levels) take_out(other.field, judged.speck, other.scale);
  }
  return result;
}

}  // namespace trunnion
