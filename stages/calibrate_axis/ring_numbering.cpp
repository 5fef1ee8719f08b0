#include "stages/calibrate_axis/ring_numbering.h"

#include <Eigen/Geometry>
#include <Eigen/QR>
#include <algorithm>
#include <cmath>

#include "core/angle.h"
#include "core/turntable.h"
#include "stages/calibrate_axis/board_poses.h"
#include "stages/calibrate_axis/fit.h"

namespace trunnion::calibrate_axis {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;

constexpr double kLeastTurn = radians(5.0);       // between two images that show an axis
constexpr double kAngleTolerance = radians(6.0);  // of the turn against the given angles
constexpr double kWithin = 0.25;  // squares: corners predicted that far off are that corner
constexpr std::size_t kPartners = 6;
constexpr std::size_t kRefined = 6;
constexpr double kClearly = 1.5;  // of the residual of the second best numbering over the best

// One image of the ring.
struct View {
  const AxisSighting* sighting = nullptr;
  double angle = 0;  // rad, from the reference's
  BoardPose pose;
  std::vector<Placement> possible;  // on the board
  std::vector<Vector2d> rays;       // normalised image positions of some corners
  std::vector<Vector2d> places;     // and their column and row
};

// A turn about an axis of the camera frame from the reference's board pose.
struct Turning {
  Vector3d direction;
  Vector3d point;
  double ratio = 1;  // of the true turn over the given one
  Pose reference;    // camera from the reference's board
  [[nodiscard]] Pose at(double angle) const {
    const Eigen::Matrix3d R = rotation_about(direction, ratio * angle);
    return Pose{R, point - R * point} * reference;
  }
};

struct Candidate {
  Turning turning;
  std::vector<std::optional<Placement>> placements;
  std::vector<Placement> on_board;
  std::size_t placed = 0;
  double residual = 0;  // squares, mean of the images placed
  double rms_px = 0;    // adjusted
  Pose stage_from_board;
};

View view_of(const AxisRequest& request, const AxisSighting& sighting, bool dark_first) {
  View view;
  view.sighting = &sighting;
  view.pose = board_pose(request, sighting);
  view.possible = sighting.part ? placements(*sighting.part, request.pattern, dark_first)
                                : std::vector<Placement>{Placement{}};
  const std::size_t step = std::max<std::size_t>(1, sighting.corners.size() / 12);
  for (std::size_t i = 0; i < sighting.corners.size(); i += step) {
    const BoardCorner& corner = sighting.corners[i];
    const Vector2d ray = normalise(request.camera, corner.position_px);
    if (!ray.allFinite()) continue;
    view.rays.push_back(ray);
    view.places.emplace_back(corner.column, corner.row);
  }
  return view;
}

struct Placed {
  Placement placement;
  double residual = 1e9;  // squares, root mean square
};

// The placement of a view whose board is predicted at `camera_from_board`.
Placed place_view(const View& view, const Pose& camera_from_board, bool telecentric,
                  double square_mm) {
  const Pose board_from_camera = camera_from_board.inverse();
  std::vector<Vector2d> predicted;
  Vector2d mean = Vector2d::Zero();
  Vector2d mean_place = Vector2d::Zero();
  const auto n = static_cast<double>(view.rays.size());
  for (std::size_t i = 0; i < view.rays.size(); ++i) {
    const Vector2d& ray = view.rays[i];
    const Vector3d origin = telecentric ? Vector3d(ray.x(), ray.y(), 0) : Vector3d::Zero();
    const Vector3d along = telecentric ? Vector3d(0, 0, 1) : Vector3d(ray.x(), ray.y(), 1);
    const Vector3d o = board_from_camera * origin;
    const Vector3d d = board_from_camera.R * along;
    if (std::abs(d.z()) < 0.05) return {};
    predicted.emplace_back((o - d * (o.z() / d.z())).head<2>() / square_mm);
    mean += predicted.back() / n;
    mean_place += view.places[i] / n;
  }
  double cosine = 0;
  double sine = 0;
  for (std::size_t i = 0; i < predicted.size(); ++i) {
    const Vector2d a = view.places[i] - mean_place;
    const Vector2d b = predicted[i] - mean;
    cosine += a.dot(b);
    sine += a.x() * b.y() - a.y() * b.x();
  }
  const auto quarter = static_cast<int>(std::lround(std::atan2(sine, cosine) / (0.5 * kPi)));
  Placed placed;
  placed.placement.quarter_turns = (quarter + 4) % 4;
  const Pose turn = motion_on_board(placed.placement, 1.0);
  const Vector2d shift = mean - (turn.R.topLeftCorner<2, 2>() * mean_place);
  placed.placement.columns = static_cast<int>(std::lround(shift.x()));
  placed.placement.rows = static_cast<int>(std::lround(shift.y()));
  const Pose whole = motion_on_board(placed.placement, 1.0);
  double sum = 0;
  for (std::size_t i = 0; i < predicted.size(); ++i) {
    const Vector2d at = whole.R.topLeftCorner<2, 2>() * view.places[i] + whole.t.head<2>();
    sum += (predicted[i] - at).squaredNorm();
  }
  placed.residual = std::sqrt(sum / n);
  return placed;
}

bool contains(const std::vector<Placement>& list, const Placement& placement) {
  return std::find(list.begin(), list.end(), placement) != list.end();
}

// Places all views by one turning. Views that do not fit beside the others on the board are left
// out.
Candidate candidate_of(const std::vector<View>& views, std::size_t reference,
                       const Turning& turning, const AxisRequest& request) {
  const bool telecentric = request.camera.projection == Projection::telecentric;
  Candidate candidate;
  candidate.turning = turning;
  candidate.placements.resize(views.size());
  candidate.on_board = views[reference].possible;
  for (std::size_t v = 0; v < views.size(); ++v) {
    Placed found{Placement{}, 0.0};
    if (v != reference) {
      found =
          place_view(views[v], turning.at(views[v].angle), telecentric, request.pattern.square_mm);
    }
    if (found.residual > kWithin) continue;
    std::vector<Placement> left;
    for (const Placement& on_board : candidate.on_board) {
      if (contains(views[v].possible, on_board * found.placement)) left.push_back(on_board);
    }
    if (left.empty()) continue;
    candidate.on_board = std::move(left);
    candidate.placements[v] = found.placement;
    candidate.residual += found.residual;
    ++candidate.placed;
  }
  candidate.residual /= static_cast<double>(std::max<std::size_t>(1, candidate.placed));
  return candidate;
}

// The axes about which the board can have turned from the reference's pose to another's.
std::vector<Turning> turnings_between(const Pose& from, const Pose& to, double angle,
                                      bool telecentric, double reach_mm) {
  const Pose motion = to * from.inverse();
  const Eigen::AngleAxisd turn(motion.R);
  Turning turning;
  turning.reference = from;
  turning.direction = angle < 0 ? Vector3d(-turn.axis()) : turn.axis();
  turning.ratio = turn.angle() / std::abs(angle);
  const Eigen::Matrix3d A = Eigen::Matrix3d::Identity() - motion.R;
  if (!telecentric) {
    Eigen::CompleteOrthogonalDecomposition<Eigen::Matrix3d> solver;
    solver.setThreshold(1e-6);
    turning.point = solver.compute(A).solve(motion.t);
    return {turning};
  }
  // The depth of the axis is not seen in two images: all are tried.
  std::vector<Turning> list;
  constexpr int kDepths = 120;
  for (int i = 0; i <= kDepths; ++i) {
    const double depth = reach_mm * (2.0 * i / kDepths - 1.0);
    const Eigen::Matrix2d across = A.topLeftCorner<2, 2>();
    const Vector2d right = motion.t.head<2>() - A.topRightCorner<2, 1>() * depth;
    Eigen::CompleteOrthogonalDecomposition<Eigen::Matrix2d> solver;
    solver.setThreshold(1e-3);
    turning.point << solver.compute(across).solve(right), depth;
    list.push_back(turning);
  }
  return list;
}

// Numbers of the other view in the reference's numbering that the board allows.
std::vector<Placement> relations(const View& reference, const View& other) {
  std::vector<Placement> list;
  for (const Placement& a : reference.possible) {
    for (const Placement& b : other.possible) {
      const Placement relation = a.inverse() * b;
      if (!contains(list, relation)) list.push_back(relation);
    }
  }
  return list;
}

std::vector<std::size_t> partners_of(const std::vector<View>& views, std::size_t reference) {
  std::vector<std::size_t> list;
  for (std::size_t v = 0; v < views.size(); ++v) {
    const double turned = std::abs(std::remainder(views[v].angle, 2.0 * kPi));
    if (v != reference && turned > kLeastTurn && turned < kPi - kLeastTurn) list.push_back(v);
  }
  // A turn of a radian shows the axis best.
  std::stable_sort(list.begin(), list.end(), [&](std::size_t a, std::size_t b) {
    const auto off = [&](std::size_t v) {
      return std::abs(std::abs(std::remainder(views[v].angle, 2.0 * kPi)) - 1.0);
    };
    return off(a) < off(b);
  });
  if (list.size() > kPartners) list.resize(kPartners);
  return list;
}

// Numberings that differ, the one that places most images first. `as_given`: only turns by the
// given angles.
std::vector<Candidate> candidates(const AxisRequest& request, const std::vector<View>& views,
                                  std::size_t reference, bool as_given) {
  const bool telecentric = request.camera.projection == Projection::telecentric;
  const double square = request.pattern.square_mm;
  const double reach =
      square * std::max(request.pattern.lattice_columns(), request.pattern.lattice_rows());
  std::vector<Candidate> found;
  for (const std::size_t other : partners_of(views, reference)) {
    const double angle = std::remainder(views[other].angle, 2.0 * kPi);
    for (const Placement& relation : relations(views[reference], views[other])) {
      const Pose placed = motion_on_board(relation, square).inverse();
      for (const Pose& from : {views[reference].pose.pose, views[reference].pose.mirror}) {
        for (const Pose& to : {views[other].pose.pose, views[other].pose.mirror}) {
          const Pose there = to * placed;
          const double turned = rotation_angle_between(there.R, from.R);
          if (turned < 0.5 * kLeastTurn) continue;
          if (as_given && std::abs(turned - std::abs(angle)) > kAngleTolerance) continue;
          for (const Turning& turning : turnings_between(from, there, angle, telecentric, reach)) {
            Candidate candidate = candidate_of(views, reference, turning, request);
            const auto same = std::find_if(found.begin(), found.end(), [&](const Candidate& c) {
              return c.placements == candidate.placements;
            });
            if (same == found.end()) {
              found.push_back(std::move(candidate));
            } else if (candidate.residual < same->residual) {
              *same = std::move(candidate);
            }
          }
        }
      }
    }
  }
  std::stable_sort(found.begin(), found.end(), [](const Candidate& a, const Candidate& b) {
    return a.placed != b.placed ? a.placed > b.placed : a.residual < b.residual;
  });
  return found;
}

// Adjusts axis, board and angles to the corners placed.
void refine(const AxisRequest& request, const std::vector<View>& views, Candidate& candidate) {
  const bool telecentric = request.camera.projection == Projection::telecentric;
  AxisRequest ring = request;
  ring.rings = {""};
  ring.elevations = {0.0};
  ring.tilts.clear();
  ring.sightings.clear();
  FitStart start;
  for (std::size_t v = 0; v < views.size(); ++v) {
    if (!candidate.placements[v]) continue;
    AxisSighting sighting = *views[v].sighting;
    sighting.ring = 0;
    sighting.corners = placed(sighting.corners, *candidate.placements[v]);
    ring.sightings.push_back(sighting);
    start.angles.push_back(candidate.turning.ratio * views[v].angle);
    start.board.push_back(0);
  }
  const Axis axis{candidate.turning.direction, candidate.turning.point};
  start.axes = {axis};
  const Pose stage = camera_from_stage(axis, telecentric);
  start.boards = {step_of(stage.inverse() * candidate.turning.reference)};
  const Fit fit = fit_rig(ring, start, {.sigma_px = 0.2});
  candidate.rms_px = fit.rms_px;
  const Pose found = camera_from_stage(fit.axes[0], telecentric);
  candidate.stage_from_board = pose_of(fit.boards[0]);
  candidate.turning.direction = fit.axes[0].direction;
  candidate.turning.point = fit.axes[0].origin_mm;
  // The first angle is held; the reference's may have moved.
  std::size_t at = 0;
  for (std::size_t v = 0; v < views.size(); ++v) {
    if (!candidate.placements[v]) continue;
    if (views[v].angle == 0.0) {
      const Pose turn{rotation_about(Vector3d::UnitZ(), fit.angle_steps[at]), Vector3d::Zero()};
      candidate.turning.reference = found * turn * candidate.stage_from_board;
    }
    ++at;
  }
}

}  // namespace

std::size_t RingNumbering::placed() const {
  return static_cast<std::size_t>(
      std::count_if(placements.begin(), placements.end(),
                    [](const std::optional<Placement>& p) { return p.has_value(); }));
}

Pose motion_on_board(const Placement& placement, double square_mm) {
  Pose pose;
  pose.R = rotation_about(Vector3d::UnitZ(), 0.5 * kPi * placement.quarter_turns);
  pose.R = pose.R.array().round().matrix();
  pose.t = {placement.columns * square_mm, placement.rows * square_mm, 0.0};
  return pose;
}

RingNumbering number_ring(const AxisRequest& request, std::size_t ring, bool dark_first) {
  RingNumbering result;
  std::vector<View> views;
  std::size_t reference = 0;
  for (std::size_t i = 0; i < request.sightings.size(); ++i) {
    if (request.sightings[i].ring != ring) continue;
    result.sightings.push_back(i);
    views.push_back(view_of(request, request.sightings[i], dark_first));
    // Fewest possible places first, then most corners.
    const View& best = views[reference];
    const View& now = views.back();
    const auto rank = [](const View& view) {
      return std::pair(view.possible.empty() ? 1000U : view.possible.size(),
                       1000000U - view.sighting->corners.size());
    };
    if (rank(now) < rank(best)) reference = views.size() - 1;
  }
  const double zero = views[reference].sighting->stage_angle;
  for (View& view : views) view.angle = view.sighting->stage_angle - zero;
  std::vector<Candidate> found;
  for (const bool as_given : {true, false}) {
    found = candidates(request, views, reference, as_given);
    // Two images always agree on some axis.
    if (!found.empty() && found.front().placed >= std::min<std::size_t>(views.size(), 4)) break;
  }
  result.placements.resize(views.size());
  if (found.empty() || found.front().placed < 3) return result;
  const std::size_t most = found.front().placed;
  std::erase_if(found, [most](const Candidate& c) { return c.placed + 1 < most; });
  if (found.size() > kRefined) found.resize(kRefined);
  for (Candidate& candidate : found) refine(request, views, candidate);
  std::stable_sort(found.begin(), found.end(), [](const Candidate& a, const Candidate& b) {
    return a.rms_px / static_cast<double>(a.placed) < b.rms_px / static_cast<double>(b.placed);
  });
  const Candidate& best = found.front();
  result.ambiguous = found.size() > 1 && found[1].placed >= best.placed &&
                     found[1].rms_px < kClearly * std::max(best.rms_px, 0.05);
  result.placements = best.placements;
  result.on_board = best.on_board;
  result.stage_from_board = best.stage_from_board;
  return result;
}

}  // namespace trunnion::calibrate_axis
