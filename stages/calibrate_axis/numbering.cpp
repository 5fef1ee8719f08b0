#include "stages/calibrate_axis/numbering.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/angle.h"
#include "core/pose.h"
#include "stages/calibrate_axis/ring_numbering.h"

namespace trunnion::calibrate_axis {
namespace {

constexpr const char* kRemedy =
    "Show the whole board in more images at evenly spread angles, or use a board with one odd and "
    "one even count of corners or a coded board.";
constexpr double kMostAzimuth = radians(10.0);  // a camera moved by hand between rings
constexpr double kMostTilt = radians(3.0);      // of the board between rings, without a second axis

bool is_settled(const AxisRequest& request) {
  return std::all_of(request.sightings.begin(), request.sightings.end(),
                     [](const AxisSighting& s) { return !s.part; });
}

// Checkerboards of two odd or two even counts begin with a dark or a light square: as all parts
// allow.
bool begins_dark(const AxisRequest& request) {
  return std::all_of(request.sightings.begin(), request.sightings.end(),
                     [&](const AxisSighting& s) {
                       return !s.part || !placements(*s.part, request.pattern, true).empty();
                     });
}

// How far two rings' boards are apart on the stage if numbered so: squares across the axis. Huge
// where their directions differ.
double apart(const AxisRequest& request, const Pose& first, const Pose& other, double tilt) {
  const Eigen::Matrix3d between = first.R * other.R.transpose();
  if (tilt != 0.0) {
    const double off = std::abs(rotation_angle_between(first.R, other.R) - std::abs(tilt));
    return off > kMostAzimuth ? 1e9 : off;
  }
  const double azimuth = std::atan2(between(1, 0) - between(0, 1), between(0, 0) + between(1, 1));
  const Eigen::Matrix3d turn = rotation_about(Eigen::Vector3d::UnitZ(), azimuth);
  if (std::abs(azimuth) > kMostAzimuth || rotation_angle_between(between, turn) > kMostTilt) {
    return 1e9;
  }
  return (first.t - turn * other.t).head<2>().norm() / request.pattern.square_mm;
}

// Where the numbering of `other` lies on the board if that of `first` lies at `first_on_board`;
// false where more than one place is as good.
bool relate(const AxisRequest& request, const RingNumbering& first, RingNumbering& other,
            double tilt) {
  if (other.on_board.size() < 2) return !other.on_board.empty();
  const double square = request.pattern.square_mm;
  const Pose anchor =
      first.stage_from_board * motion_on_board(first.on_board.front(), square).inverse();
  std::vector<std::pair<double, Placement>> ranked;
  for (const Placement& place : other.on_board) {
    const Pose board = other.stage_from_board * motion_on_board(place, square).inverse();
    ranked.emplace_back(apart(request, anchor, board, tilt), place);
  }
  std::stable_sort(ranked.begin(), ranked.end(),
                   [](const auto& a, const auto& b) { return a.first < b.first; });
  if (ranked[0].first > 0.5) return false;
  if (ranked[1].first < std::max(3.0 * ranked[0].first, ranked[0].first + 0.1)) return false;
  other.on_board = {ranked[0].second};
  return true;
}

// All placements of the first ring are tried against the others; those that can be related stay.
bool relate_all(const AxisRequest& request, std::vector<RingNumbering>& rings) {
  if (rings.size() == 1) return true;
  const std::vector<Placement> open = rings[0].on_board;
  std::vector<std::vector<RingNumbering>> solutions;
  for (const Placement& place : open) {
    std::vector<RingNumbering> attempt = rings;
    attempt[0].on_board = {place};
    bool sound = true;
    for (std::size_t r = 1; r < rings.size() && sound; ++r) {
      const double tilt = request.tilts.empty() ? 0.0 : request.tilts[r] - request.tilts[0];
      sound = relate(request, attempt[0], attempt[r], tilt);
    }
    if (sound) solutions.push_back(std::move(attempt));
  }
  if (solutions.empty()) return false;
  // Solutions that differ by the place of the whole numbering alone are one.
  const auto relation = [](const std::vector<RingNumbering>& s, std::size_t r) {
    return s[0].on_board[0].inverse() * s[r].on_board[0];
  };
  for (const auto& solution : solutions) {
    for (std::size_t r = 1; r < rings.size(); ++r) {
      if (!(relation(solution, r) == relation(solutions[0], r))) return false;
    }
  }
  rings = solutions[0];
  return true;
}

std::string shown(const std::string& ring) {
  return ring.empty() ? std::string("the ring") : "ring \"" + ring + "\"";
}

// Writes the numbering into the request; sightings without one go.
void write_into(const std::vector<RingNumbering>& rings, Numbering& numbering) {
  std::vector<AxisSighting> kept(numbering.request.sightings.size());
  std::vector<char> used(kept.size(), 0);
  for (const RingNumbering& ring : rings) {
    for (std::size_t k = 0; k < ring.sightings.size(); ++k) {
      const std::size_t i = ring.sightings[k];
      kept[i] = numbering.request.sightings[i];
      if (!ring.placements[k]) {
        numbering.findings.push_back(
            {Severity::doubt, "calibrate axis", kept[i].name,
             "The board's numbering here agrees with no turn about the axis of the other images; "
             "the image is left out.",
             "Check its stage angle and that the board was not moved."});
        continue;
      }
      used[i] = 1;
      kept[i].corners = placed(kept[i].corners, ring.on_board.front() * *ring.placements[k]);
      kept[i].part.reset();
    }
  }
  numbering.request.sightings.clear();
  for (std::size_t i = 0; i < kept.size(); ++i) {
    if (used[i] != 0) numbering.request.sightings.push_back(kept[i]);
  }
}

}  // namespace

Numbering settle_numbering(const AxisRequest& request, const AxisOptions& options) {
  Numbering numbering{request, {}, {}, {}};
  if (is_settled(request)) return numbering;
  const bool dark_first = begins_dark(request);
  std::vector<RingNumbering> rings;
  numbering.remedy = kRemedy;
  for (std::size_t r = 0; r < request.rings.size(); ++r) {
    rings.push_back(number_ring(request, r, dark_first));
    const RingNumbering& ring = rings.back();
    if (static_cast<int>(ring.placed()) < options.fewest_stations) {
      numbering.fault = fmt::format(
          "Which corner of the board is which cannot be settled for {}: its images do not show one "
          "board turning about one axis.",
          shown(request.rings[r]));
      return numbering;
    }
    if (ring.ambiguous) {
      numbering.fault = fmt::format(
          "Which corner of the board is which cannot be settled for {}: more than one numbering "
          "fits its images.",
          shown(request.rings[r]));
      return numbering;
    }
  }
  if (!relate_all(request, rings)) {
    numbering.fault =
        "Which part of the board the rings show cannot be settled: more than one way fits, or "
        "none.";
    numbering.remedy =
        "Show the whole board in some images of each ring, or use a coded board; do not move the "
        "board on the stage between rings.";
    return numbering;
  }
  write_into(rings, numbering);
  return numbering;
}

}  // namespace trunnion::calibrate_axis
