// Every fuzz target over its seeds, the inputs that once went wrong, and small damage to each: what
// the fuzzers look for by the hour is tried a little in every test run.
#include <gtest/gtest.h>

#include <unistd.h>

#include <filesystem>
#include <random>

#include "core/files.h"
#include "core/metadata.h"
#include "tests/fuzz/seed_inputs.h"
#include "tests/fuzz/targets.h"
#include "tests/support/open_data.h"

namespace trunnion::test {
namespace fuzz_inputs_test {

class FuzzInputs : public testing::TestWithParam<std::pair<std::string, FuzzTarget*>> {
 protected:
  static void SetUpTestSuite() {
    initialise_metadata();
    seeds_ = fs::temp_directory_path() / ("trunnion-seeds-" + std::to_string(getpid()));
    write_seed_inputs(seeds_);
  }
  static void TearDownTestSuite() { fs::remove_all(seeds_); }

  static std::vector<fs::path> files_below(const fs::path& folder) {
    std::vector<fs::path> files;
    if (!fs::exists(folder)) return files;
    for (const auto& entry : fs::directory_iterator(folder)) files.push_back(entry.path());
    std::sort(files.begin(), files.end());
    return files;
  }

  static inline fs::path seeds_;
};

// One of: cut off, a byte changed, a run of bytes doubled.
std::string damaged(std::string bytes, std::mt19937& random) {
  if (bytes.empty()) return bytes;
  const std::size_t at = random() % bytes.size();
  switch (random() % 3) {
    case 0:
      return bytes.substr(0, at);
    case 1:
      bytes[at] = static_cast<char>(random());
      return bytes;
    default:
      return bytes.insert(at, bytes.substr(at, 1 + random() % 64));
  }
}

// A target returns or the program dies; a hang ends by ctest's time limit.
TEST_P(FuzzInputs, EndInAResultOrAClearError) {
  const auto& [name, target] = GetParam();
  std::vector<fs::path> files = files_below(seeds_ / name);
  ASSERT_FALSE(files.empty());
  for (const fs::path& file : files_below(source_folder() / "tests/fuzz/regressions" / name)) {
    files.push_back(file);
  }
  std::mt19937 random(1);
  for (const fs::path& file : files) {
    SCOPED_TRACE(file.string());
    const std::string bytes = read_file(file);
    EXPECT_NO_THROW(target(bytes));
    for (int i = 0; i < 20; ++i) EXPECT_NO_THROW(target(damaged(bytes, random)));
  }
}

INSTANTIATE_TEST_SUITE_P(Targets, FuzzInputs, testing::ValuesIn(fuzz_targets()),
                         [](const auto& target) { return target.param.first; });

}  // namespace fuzz_inputs_test
}  // namespace trunnion::test
