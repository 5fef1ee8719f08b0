// Where tests find things: open data (may be absent: then skip, saying why), the built program,
// and a folder of their own.
#pragma once

#include <gtest/gtest.h>

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

namespace trunnion::test {

// Folder `name` of the open data: $TRUNNION_OPEN_DATA, else shared/data beside the checkout.
std::optional<std::filesystem::path> open_data(const std::string& name);

// Sample photographs of Debian's package opencv-doc.
std::optional<std::filesystem::path> opencv_samples();

// A fresh empty folder, removed at the end of its scope.
class TemporaryFolder {
 public:
  TemporaryFolder();
  ~TemporaryFolder();
  TemporaryFolder(const TemporaryFolder&) = delete;
  TemporaryFolder& operator=(const TemporaryFolder&) = delete;
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }

 private:
  std::filesystem::path path_;
};

struct ProgramRun {
  int exit_code = -1;
  std::string out;
  std::string err;
};

// Runs the built trunnion with these arguments.
ProgramRun run_trunnion(const std::vector<std::string>& arguments);

std::filesystem::path source_folder();
std::string program();  // path of the built trunnion

}  // namespace trunnion::test

// Skips the test with the reason where the open data is absent; `var` is the folder.
#define TRUNNION_OPEN_DATA_OR_SKIP(var, name)                                  \
  const auto var##_found = trunnion::test::open_data(name);                    \
  if (!var##_found)                                                            \
    GTEST_SKIP() << "SKIPPED: open data " << (name)                            \
                 << " is absent; see docs/datasets.md and TRUNNION_OPEN_DATA"; \
  const std::filesystem::path& var = *var##_found
