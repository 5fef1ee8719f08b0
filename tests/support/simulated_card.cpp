#include "tests/support/simulated_card.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <numeric>

#include "datasets/random.h"

namespace trunnion::test {
namespace {

using demo::Draws;

double log_uniform(Draws& draws, double low, double high) {
  return low * std::pow(high / low, draws.uniform(0, 1));
}

struct Spot {
  double x, y, z, level;  // of a body of unit radius
};

// What stands before the lens, as a thumbnail at a stage angle and a plane of focus.
class Scenery {
 public:
  Scenery(std::uint64_t seed, std::uint64_t stream) : draws_(seed, stream) {
    for (int i = 0; i < 40; ++i) {
      const double azimuth = draws_.uniform(0, 2 * std::numbers::pi);
      const double radius = draws_.uniform(0.3, 1.0);
      spots_.push_back({radius * std::cos(azimuth), draws_.uniform(-1, 1),
                        radius * std::sin(azimuth), draws_.uniform(0.1, 0.5)});
    }
    blur_ = draws_.uniform(0.8, 3.0);
    noise_ = draws_.uniform(0.004, 0.012);
    backdrop_ = draws_.uniform(0.05, 0.3);
  }

  // `focus` from 1 (near) to -1 (far).
  std::vector<float> grey(double angle, double focus, double gain) {
    constexpr int kW = gather::kGreyWidth;
    constexpr int kH = gather::kGreyHeight;
    std::vector<float> image(std::size_t{kW} * kH, static_cast<float>(backdrop_));
    for (const Spot& spot : spots_) {
      const double x = spot.x * std::cos(angle) + spot.z * std::sin(angle);
      const double z = -spot.x * std::sin(angle) + spot.z * std::cos(angle);
      const double sigma = std::hypot(0.9, blur_ * (z - focus));
      const double height = spot.level * 1.6 / (sigma * sigma) * (z > -0.3 ? 1.0 : 0.2);
      draw(image, {24 + 15 * x, 16 + 12 * spot.y, height, sigma});
    }
    for (float& value : image) {
      const double lit = gain * (static_cast<double>(value) + noise_ * draws_.normal());
      value = static_cast<float>(std::clamp(lit, 0.0, 1.0));
    }
    return image;
  }

 private:
  struct Bump {
    double x, y, height, sigma;
  };
  static void draw(std::vector<float>& image, const Bump& bump) {
    const double reach = 3 * bump.sigma;
    const int left = std::max(0, static_cast<int>(bump.x - reach));
    const int right = std::min(gather::kGreyWidth - 1, static_cast<int>(bump.x + reach));
    const int top = std::max(0, static_cast<int>(bump.y - reach));
    const int bottom = std::min(gather::kGreyHeight - 1, static_cast<int>(bump.y + reach));
    std::array<double, gather::kGreyWidth> across{};
    const auto bell = [&](double d) { return std::exp(-0.5 * d * d / bump.sigma / bump.sigma); };
    for (int x = left; x <= right; ++x) across.at(static_cast<std::size_t>(x)) = bell(x - bump.x);
    for (int y = top; y <= bottom; ++y) {
      const double down = bump.height * bell(y - bump.y);
      for (int x = left; x <= right; ++x) {
        image[static_cast<std::size_t>(y * gather::kGreyWidth + x)] +=
            static_cast<float>(down * across.at(static_cast<std::size_t>(x)));
      }
    }
  }

  Draws draws_;
  std::vector<Spot> spots_;
  double blur_, noise_, backdrop_;
};

class Bench {
 public:
  Bench(Trouble trouble, std::uint64_t seed, const CardOptions& options)
      : trouble_(trouble),
        draws_(seed, 1 + static_cast<std::uint64_t>(trouble)),
        scenery_(seed, 100 + static_cast<std::uint64_t>(trouble)) {
    interval_ = log_uniform(draws_, 0.5, 6);
    steady_ = draws_.uniform(0, 1) < 0.5;
    break_ = log_uniform(draws_, 2, 600);
    subseconds_ = seed % 2 == 0;
    there_and_back_ = draws_.uniform(0, 1) < 0.25;
    time_ = 1.7e9 + std::floor(draws_.uniform(0, 1e6)) + draws_.uniform(0, 1);
    number_ = static_cast<int>(draws_.uniform(1, 6000));
    set_rates();
    plan(options);
  }

  SimulatedCard shoot(const CardOptions& options) {
    std::vector<double> angles;
    for (std::size_t k = 0; k < card_.expected.size(); ++k) {
      angles.push_back(card_.expected[k].station * step_);
    }
    for (std::size_t k = 0; k < card_.expected.size(); ++k) {
      elevation_ = card_.expected[k].ring == "high" ? 0.7 : 0.0;
      if (chance(trouble_ == Trouble::test_shots ? 0.25 : 0)) test_shots(angles[k]);
      const int planned = card_.expected[k].frames;
      if (chance(trouble_ == Trouble::aborted ? 0.15 : 0)) {
        const int given_up = 1 + static_cast<int>(draws_.uniform(0, planned - 1.01));
        series(static_cast<int>(k), angles[k], given_up, false);
      }
      const bool last = k + 1 == card_.expected.size();
      const int count = last && trouble_ == Trouble::last_incomplete
                            ? 1 + static_cast<int>(draws_.uniform(0, planned - 1.01))
                            : planned;
      series(static_cast<int>(k), angles[k], count, count == planned);
      if (chance(trouble_ == Trouble::started_twice ? 0.12 : 0)) {
        series(static_cast<int>(k), angles[k], planned, true);
      }
    }
    if (!options.counts_known) {
      for (gather::Expected& e : card_.expected) e.frames = 0;
    }
    return std::move(card_);
  }

 private:
  bool chance(double p) { return draws_.uniform(0, 1) < p; }

  void set_rates() {
    if (trouble_ == Trouble::clean) return;
    const double all = draws_.uniform(0, 0.02);
    missing_ = twice_ = failed_ = all / 3;
    if (trouble_ == Trouble::missing) missing_ = 0.02, twice_ = failed_ = 0;
    if (trouble_ == Trouble::twice) twice_ = 0.02, missing_ = failed_ = 0;
    if (trouble_ == Trouble::failed) failed_ = 0.02, missing_ = twice_ = 0;
    if (trouble_ == Trouble::clock_changed) clock_ = 0.002;
    if (trouble_ == Trouble::pauses) pause_ = 0.01;
    if (trouble_ == Trouble::two_folders)
      number_ = 9999 - static_cast<int>(draws_.uniform(50, 500));
  }

  void plan(const CardOptions& options) {
    const int base = static_cast<int>(draws_.uniform(12, 60));
    const bool shortest = chance(0.5);  // as many frames as each station needs
    step_ = 2 * std::numbers::pi / options.stations;
    const int second = static_cast<int>(draws_.uniform(12, 60));
    for (int s = 0; s < options.stations; ++s) {
      const bool high = trouble_ == Trouble::two_rings && 2 * s >= options.stations;
      int frames = high ? second : base;
      if (shortest) {
        frames = std::max(6, static_cast<int>(frames * (0.75 + 0.25 * std::cos(2 * s * step_))));
      }
      card_.expected.push_back({high ? "high" : "low", s, frames});
    }
    if (trouble_ != Trouble::other_order) return;
    for (std::size_t i = card_.expected.size(); i > 1; --i) {
      std::swap(
          card_.expected[i - 1],
          card_.expected[static_cast<std::size_t>(draws_.uniform(0, static_cast<double>(i)))]);
    }
  }

  void wait_between() {
    if (card_.frames.empty()) return;
    const double pause =
        steady_ ? break_ * std::exp(0.25 * draws_.normal()) : log_uniform(draws_, 2, 600);
    time_ += std::clamp(pause, 2.0, 600.0);
  }

  void step_time() {
    time_ += interval_ * std::max(0.1, 1 + 0.2 * draws_.normal());
    if (chance(pause_)) time_ += draws_.uniform(10, 180 - 6);
  }

  void test_shots(double angle) {
    ++part_;
    const int count = 1 + static_cast<int>(draws_.uniform(0, 5));
    wait_between();
    const bool other_settings = chance(0.5);
    for (int i = 0; i < count; ++i) {
      if (i > 0) time_ += log_uniform(draws_, 1, 60);
      settings_ = other_settings ? 1 + i : 0;
      shot({part_, -1, true, false, false}, angle, draws_.uniform(-1, 1));
    }
    settings_ = 0;
  }

  void series(int expected, double angle, int count, bool whole) {
    ++part_;
    wait_between();
    const int planned = card_.expected[static_cast<std::size_t>(expected)].frames;
    const bool back = there_and_back_ && expected % 2 == 1;
    for (int i = 0; i < count; ++i) {
      if (i > 0) step_time();
      const double along = 1 - 2.0 * i / std::max(1, planned - 1);
      const double focus = back ? -along : along;
      // At least one frame of every part is there, so that there is a part.
      if (count > 2 && i > 0 && chance(missing_)) {
        if (chance(0.5)) ++number_;  // lost from the card, not by the camera
        continue;
      }
      TrueFrame truth{part_, expected, whole, chance(failed_), false};
      shot(truth, angle, focus);
      if (!chance(twice_)) continue;
      time_ += interval_ * draws_.uniform(0.3, 1.0);
      truth.twice = true;
      truth.failed = false;
      shot(truth, angle, focus);
    }
  }

  void shot(TrueFrame truth, double angle, double focus) {
    if (chance(clock_)) clock_offset_ += chance(0.5) ? -3600 : draws_.uniform(-86400, 86400);
    gather::Frame frame;
    const bool second = trouble_ == Trouble::two_folders && number_ > 9999;
    const int number = (number_ - 1) % 9999 + 1;
    frame.folder = second ? "card-b/101" : "card-a/100";
    frame.file = fmt::format("{}/frame{:04}.tif", frame.folder, number);
    frame.number = number;
    ++number_;
    const double t = time_ + clock_offset_;
    frame.time_s = subseconds_ ? std::floor(t * 100) / 100 : std::floor(t);
    frame.subseconds = subseconds_;
    frame.settings = fmt::format("1/{} s", 60 + settings_ * 40);
    const bool unreadable = truth.failed && chance(0.3);
    const double gain = truth.failed ? draws_.uniform(0, 0.05)
                                     : (1 + 0.02 * draws_.normal()) / (1 + 0.3 * settings_);
    frame.grey = scenery_.grey(angle + elevation_, focus, gain);
    if (unreadable) {
      frame.readable = false;
      frame.grey.clear();
      frame.time_s.reset();
      frame.settings.clear();
    }
    card_.frames.push_back(std::move(frame));
    card_.truth.push_back(truth);
  }

  Trouble trouble_;
  Draws draws_;
  Scenery scenery_;
  SimulatedCard card_;
  double interval_, break_, time_, step_ = 0, elevation_ = 0;
  bool steady_, subseconds_, there_and_back_;
  double missing_ = 0, twice_ = 0, failed_ = 0, pause_ = 0, clock_ = 0, clock_offset_ = 0;
  int number_, part_ = -1, settings_ = 0;
};

}  // namespace

const char* name_of(Trouble trouble) {
  constexpr std::array kNames{"clean",      "started twice", "aborted",     "missing",
                              "twice",      "failed",        "test shots",  "pauses",
                              "clock",      "two rings",     "other order", "last incomplete",
                              "two folders"};
  return kNames.at(static_cast<std::size_t>(trouble));
}

SimulatedCard simulated_card(Trouble trouble, std::uint64_t seed, const CardOptions& options) {
  return Bench(trouble, seed, options).shoot(options);
}

}  // namespace trunnion::test
