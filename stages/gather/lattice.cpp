#include "stages/gather/lattice.h"

#include <algorithm>
#include <cmath>

#include "stages/gather/arcs.h"

namespace trunnion::gather {
namespace {

constexpr double kBeam = 30;  // nats below the best state at a place: not followed

using Table = std::vector<std::vector<double>>;

// Stations may be skipped at every cut: one, or any number of them.
double jump_of(std::size_t states) {
  return kJump - std::log(static_cast<double>(states));
}
void close_skips(std::vector<double>& at) {
  double lower = kNever;
  for (std::size_t k = 1; k < at.size(); ++k) {
    lower = log_sum(lower, at[k - 1]);
    at[k] = log_sum(at[k], log_sum(at[k - 1] + kSkip, lower + jump_of(at.size())));
  }
}

std::vector<bool> followed(const std::vector<double>& at) {
  const double best = *std::max_element(at.begin(), at.end());
  std::vector<bool> keep;
  for (const double a : at) keep.push_back(a > kNever && a > best - kBeam);
  return keep;
}

// arrived[p][k]: sum over all ways that cut before unit p with station k next; `leaving` with those
// that skip there.
void forward(const Arcs& lattice, Table& arrived, Table& leaving) {
  const auto states = static_cast<std::size_t>(lattice.states());
  arrived.assign(lattice.units() + 1, std::vector<double>(states, kNever));
  leaving = arrived;
  for (std::size_t k = 0; k < states; ++k) arrived[0][k] = lattice.start(static_cast<int>(k));
  for (std::size_t p = 0; p < lattice.units(); ++p) {
    leaving[p] = arrived[p];
    if (p > 0) close_skips(leaving[p]);
    const std::vector<bool> keep = followed(leaving[p]);
    for (std::size_t k = 0; k < states; ++k) {
      if (!keep[k]) continue;
      const double base = leaving[p][k];
      lattice.from(p, static_cast<int>(k), [&](const Arc& arc) {
        double& to = arrived[arc.end][static_cast<std::size_t>(arc.to)];
        to = log_sum(to, base + arc.score);
      });
    }
  }
}

// rest[p][k]: sum over all that can follow where station k is next after skips; `from` before them.
void backward(const Arcs& lattice, const Table& leaving, Table& rest, Table& from) {
  const auto states = static_cast<std::size_t>(lattice.states());
  rest.assign(lattice.units() + 1, std::vector<double>(states, kNever));
  for (std::size_t k = 0; k < states; ++k) {
    rest[lattice.units()][k] = lattice.stop(static_cast<int>(k));
  }
  from = rest;
  for (std::size_t p = lattice.units(); p-- > 0;) {
    const std::vector<bool> keep = followed(leaving[p]);
    for (std::size_t k = 0; k < states; ++k) {
      if (!keep[k]) continue;
      double sum = kNever;
      lattice.from(p, static_cast<int>(k), [&](const Arc& arc) {
        sum = log_sum(sum, arc.score + from[arc.end][static_cast<std::size_t>(arc.to)]);
      });
      rest[p][k] = sum;
    }
    from[p] = rest[p];
    if (p == 0) continue;
    // The transpose of close_skips().
    double above = kNever;
    for (std::size_t k = states - 1; k-- > 0;) {
      above = log_sum(above, from[p][k + 1]);
      from[p][k] = log_sum(from[p][k], log_sum(from[p][k + 1] + kSkip, above + jump_of(states)));
    }
  }
}

// The most probable way, from its end to its beginning.
class Viterbi {
 public:
  explicit Viterbi(const Arcs& lattice) : lattice_(lattice) {
    const auto states = static_cast<std::size_t>(lattice.states());
    best_.assign(lattice.units() + 1, std::vector<double>(states, kNever));
    back_.assign(lattice.units() + 1, std::vector<Step>(states));
    for (std::size_t k = 0; k < states; ++k) best_[0][k] = lattice.start(static_cast<int>(k));
    for (std::size_t p = 0; p < lattice.units(); ++p) extend(p);
  }

  [[nodiscard]] std::vector<Segment> segments() const {
    std::size_t p = lattice_.units();
    std::size_t k = 0;
    const auto total = [&](std::size_t s) {
      return best_[p][s] + lattice_.stop(static_cast<int>(s));
    };
    for (std::size_t s = 1; s < best_[p].size(); ++s) {
      if (total(s) > total(k)) k = s;
    }
    std::vector<Segment> parts;
    while (p > 0) {
      const Step& step = back_[p][k];
      if (step.skip) {
        k = step.state;
        continue;
      }
      parts.push_back({step.kind, step.from, p, step.expected, 0});
      p = step.from;
      k = step.state;
    }
    std::reverse(parts.begin(), parts.end());
    return parts;
  }

 private:
  struct Step {
    PartKind kind = PartKind::series;
    std::size_t from = 0;
    std::size_t state = 0;
    int expected = -1;
    bool skip = false;
  };

  void extend(std::size_t p) {
    std::vector<double>& at = best_[p];
    std::size_t lower = 0;
    for (std::size_t k = 1; p > 0 && k < at.size(); ++k) {
      if (at[k - 1] > at[lower]) lower = k - 1;
      const double one = at[k - 1] + kSkip;
      const double many = at[lower] + jump_of(at.size());
      if (std::max(one, many) <= at[k]) continue;
      at[k] = std::max(one, many);
      back_[p][k] = {PartKind::series, p, one >= many ? k - 1 : lower, -1, true};
    }
    const std::vector<bool> keep = followed(at);
    for (std::size_t k = 0; k < at.size(); ++k) {
      if (!keep[k]) continue;
      lattice_.from(p, static_cast<int>(k), [&](const Arc& arc) {
        const auto to = static_cast<std::size_t>(arc.to);
        if (at[k] + arc.score <= best_[arc.end][to]) return;
        best_[arc.end][to] = at[k] + arc.score;
        back_[arc.end][to] = {arc.kind, p, k, arc.expected, false};
      });
    }
  }

  const Arcs& lattice_;
  Table best_;
  std::vector<std::vector<Step>> back_;
};

}  // namespace

LatticeResult solve_lattice(const std::vector<Gap>& gaps, const std::vector<GapScore>& scores,
                            const std::vector<Expected>& expected) {
  const Arcs lattice(gaps, scores, expected);
  Table arrived;
  Table leaving;
  forward(lattice, arrived, leaving);
  Table rest;
  Table from;
  backward(lattice, leaving, rest, from);
  LatticeResult result;
  double evidence = kNever;
  const std::vector<double>& end = arrived[lattice.units()];
  for (std::size_t k = 0; k < end.size(); ++k) {
    evidence = log_sum(evidence, end[k] + lattice.stop(static_cast<int>(k)));
  }
  result.log_evidence = evidence;
  for (std::size_t p = 1; p < lattice.units(); ++p) {
    double sum = kNever;
    for (std::size_t k = 0; k < arrived[p].size(); ++k) {
      sum = log_sum(sum, arrived[p][k] + from[p][k]);
    }
    result.cut.push_back(std::exp(std::min(0.0, sum - evidence)));
  }
  result.best = Viterbi(lattice).segments();
  return result;
}

}  // namespace trunnion::gather
