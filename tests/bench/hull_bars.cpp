// Hulls of true silhouettes and poses against their own truth (tests/support/hull_truth.h): volume,
// distance of the surfaces, thin parts kept, time; not a timing of a quiet machine.
//
// usage: hull_bars [BODY...]   default: the demo's bodies and the judging bodies of mask_sets.h
//        HULL_WIDTH, HULL_STATIONS, HULL_TRIANGLES change the set; HULL_OUT=DIR keeps the meshes
#include <fmt/format.h>

#include <chrono>
#include <cstdlib>
#include <iostream>

#include "core/files.h"
#include "tests/support/hull_truth.h"
#include "tests/support/mask_sets.h"

namespace trunnion::test {
namespace {

int number(const char* name, int otherwise) {
  const char* text = std::getenv(name);
  return text == nullptr ? otherwise : std::atoi(text);
}

void judge(const std::string& body, std::uint64_t seed) {
  const int width = number("HULL_WIDTH", 1732);
  const HullSet set = hull_set(body, seed,
                               {.width_px = width,
                                .height_px = width * 2 / 3,
                                .stations = number("HULL_STATIONS", 36),
                                .seed = seed});
  hull::HullOptions options;
  options.most_triangles = static_cast<std::size_t>(number("HULL_TRIANGLES", 2000000));
  const auto start = std::chrono::steady_clock::now();
  const hull::Hull hull = hull::build_hull(
      set.views, [&](std::size_t k) { return set.masks[k]; }, options);
  const std::chrono::duration<double> time = std::chrono::steady_clock::now() - start;
  if (hull.mesh.triangles.empty()) {
    std::cout << fmt::format("{:10} empty\n", body);
    return;
  }
  const HullScore score =
      score_hull(set, hull.mesh, static_cast<std::size_t>(number("HULL_POINTS", 1000000)));
  std::cout << fmt::format(
                   "{:10} triangles {:8} voxel {:.2f} px  volume {:.4f} +- {:.4f}  distance {:.3f} "
                   "px  thin {:.3f} of {:6.2f} mm  {}  {:.1f} s",
                   body, hull.mesh.triangles.size(), hull.voxel_mm / set.pixel_mm,
                   score.volume_ratio, score.volume_sigma, score.mean_distance_px, score.thin_kept,
                   score.thin_shown_mm, is_closed(hull.mesh) ? "closed" : "OPEN", time.count())
            << std::endl;
  if (const char* out = std::getenv("HULL_OUT")) {
    write_file(fs::path(out) / (body + ".ply"), hull::hull_ply(hull.mesh));
    write_file(fs::path(out) / (body + ".glb"), hull::hull_glb(hull.mesh));
  }
}

}  // namespace
}  // namespace trunnion::test

int main(int count, char** words) {
  using namespace trunnion::test;
  std::vector<std::string> bodies(words + 1, words + count);
  if (bodies.empty()) {
    bodies = {"beetle", "shell", "pebble"};
    for (const MaskBody& body : kJudgingBodies) bodies.emplace_back(body.name);
  }
  for (const std::string& body : bodies) judge(body, 1001);
}
