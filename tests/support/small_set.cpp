#include "tests/support/small_set.h"

#include <fstream>

#include "core/hash.h"

namespace trunnion::test {

namespace fs = std::filesystem;

demo::DemoOptions SmallSet::small_options() {
  demo::DemoOptions options;
  options.rings = 1;
  options.stations = 8;
  options.width_px = 240;
  options.height_px = 160;
  options.boards = false;
  return options;
}

SmallSet::SmallSet(bool calibrated, demo::DemoOptions options) {
  demo::write_demo_set(root(), options);
  if (calibrated) {
    fs::copy_file(root() / "truth/demo.calibration.json", root() / "setups/demo.calibration.json");
  }
}

void SmallSet::add_settings(const std::string& toml) const {
  std::ofstream(workspace() / "specimen.toml", std::ios::app) << '\n' << toml << '\n';
}

PrepareOutcome SmallSet::prepare(int jobs) const {
  Progress::Options options;
  options.quiet = true;
  Progress progress({}, options);
  PrepareOptions prepare_options;
  prepare_options.jobs = jobs;
  return trunnion::prepare(workspace(), prepare_options, progress);
}

std::map<std::string, std::string> hashes_below(const fs::path& folder) {
  std::map<std::string, std::string> hashes;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    if (!entry.is_regular_file()) continue;
    hashes[fs::relative(entry.path(), folder).generic_string()] = hash_file(entry.path());
  }
  return hashes;
}

}  // namespace trunnion::test
