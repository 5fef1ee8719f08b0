// A small demo set in a temporary folder, for tests of the whole pipeline.
#pragma once

#include <filesystem>
#include <map>
#include <string>

#include "datasets/demo_set.h"
#include "pipeline/prepare.h"
#include "tests/support/open_data.h"

namespace trunnion::test {

class SmallSet {
 public:
  // One ring of `stations`, 240 x 160 px, without calibration boards. With `calibrated` the true
  // calibration record lies beside the setup.
  explicit SmallSet(bool calibrated = true, demo::DemoOptions options = small_options());
  static demo::DemoOptions small_options();

  [[nodiscard]] std::filesystem::path root() const { return folder_.path(); }
  [[nodiscard]] std::filesystem::path workspace() const { return folder_.path() / "specimen"; }
  [[nodiscard]] std::filesystem::path prepared() const { return workspace() / "prepared"; }
  // Adds lines to specimen.toml.
  void add_settings(const std::string& toml) const;
  // Runs prepare without progress.
  [[nodiscard]] PrepareOutcome prepare(int jobs = 2) const;

 private:
  TemporaryFolder folder_;
};

// Every regular file below a folder, relative, with its content hash.
std::map<std::string, std::string> hashes_below(const std::filesystem::path& folder);

}  // namespace trunnion::test
