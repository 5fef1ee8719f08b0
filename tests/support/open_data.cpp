#include "tests/support/open_data.h"

#include <sys/wait.h>

#include <cstdlib>
#include <fstream>
#include <sstream>

namespace trunnion::test {

namespace fs = std::filesystem;

fs::path source_folder() {
  return TRUNNION_SOURCE_DIR;
}

std::optional<fs::path> open_data(const std::string& name) {
  const char* named = std::getenv("TRUNNION_OPEN_DATA");
  const fs::path folder =
      named != nullptr ? fs::path(named) : source_folder().parent_path() / "shared" / "data";
  if (!fs::is_directory(folder / name)) return std::nullopt;
  return folder / name;
}

std::optional<fs::path> opencv_samples() {
  const fs::path folder = "/usr/share/doc/opencv-doc/examples/data";
  if (!fs::exists(folder / "left01.jpg")) return std::nullopt;
  return folder;
}

TemporaryFolder::TemporaryFolder() {
  std::string name = (fs::temp_directory_path() / "trunnion-test-XXXXXX").string();
  if (mkdtemp(name.data()) == nullptr) throw std::runtime_error("mkdtemp failed");
  path_ = name;
}

TemporaryFolder::~TemporaryFolder() {
  std::error_code ignored;
  fs::remove_all(path_, ignored);
}

std::string program() {
  return TRUNNION_PROGRAM;
}

ProgramRun run_trunnion(const std::vector<std::string>& arguments) {
  const TemporaryFolder folder;
  const auto quote = [](const std::string& word) {
    std::string quoted = "'";
    for (const char c : word) quoted += c == '\'' ? std::string("'\\''") : std::string(1, c);
    return quoted + "'";
  };
  std::string command = quote(TRUNNION_PROGRAM);
  for (const std::string& argument : arguments) command += " " + quote(argument);
  command += " >" + quote(folder.path() / "out") + " 2>" + quote(folder.path() / "err");
  command += " </dev/null";
  ProgramRun run;
  const int status = std::system(command.c_str());  // NOLINT(cert-env33-c): quoted above
  run.exit_code = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  const auto slurp = [](const fs::path& file) {
    std::ostringstream text;
    text << std::ifstream(file).rdbuf();
    return text.str();
  };
  run.out = slurp(folder.path() / "out");
  run.err = slurp(folder.path() / "err");
  return run;
}

}  // namespace trunnion::test
