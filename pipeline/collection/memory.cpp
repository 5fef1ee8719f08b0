#include "pipeline/collection/memory.h"

#include <unistd.h>

#include <algorithm>
#include <fstream>
#include <limits>
#include <optional>
#include <sstream>
#include <string>

namespace trunnion::collection {
namespace {

// Rather too much than too little. Measured on the demo set, 16 bit, with masks and refinement, as
// peak resident memory (getrusage, ru_maxrss); docs/collection.md has the table. Of 26 megapixels
// and two threads: docs/performance.md, 985 MB (24 images), 1014 (240), 1140 (8).
constexpr double kBaseMegabytes = 350;
constexpr double kPerMegapixel = 21;
constexpr double kPerMegapixelAndThread = 5;

// "MemAvailable:   123 kB" -> kB.
std::optional<double> number_after(const std::string& file, const std::string& name) {
  std::ifstream in(file);
  for (std::string line; std::getline(in, line);) {
    if (!line.starts_with(name)) continue;
    double value = 0;
    if (std::istringstream(line.substr(name.size())) >> value) return value;
  }
  return std::nullopt;
}

// Of the process's own control group, version 2: "0::/some/path" in /proc/self/cgroup.
std::optional<double> group_bytes(const std::string& file) {
  std::ifstream in("/proc/self/cgroup");
  for (std::string line; std::getline(in, line);) {
    if (!line.starts_with("0::")) continue;
    double value = 0;
    std::ifstream group("/sys/fs/cgroup" + line.substr(3) + "/" + file);
    if (group >> value) return value;  // "max" is no number: no limit
  }
  return std::nullopt;
}

}  // namespace

double run_megabytes(double megapixels, int threads) {
  return kBaseMegabytes + megapixels * (kPerMegapixel + kPerMegapixelAndThread * threads);
}

double available_megabytes() {
  constexpr double kUsable = 0.9;  // the rest is for what else runs and for the file cache
  double megabytes = number_after("/proc/meminfo", "MemAvailable:").value_or(1e6) / 1024.0;
  const std::optional<double> most = group_bytes("memory.max");
  const std::optional<double> now = group_bytes("memory.current");
  if (most && now) megabytes = std::min(megabytes, (*most - *now) / 1048576.0);
  return kUsable * std::max(0.0, megabytes);
}

}  // namespace trunnion::collection
