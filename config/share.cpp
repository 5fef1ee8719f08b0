#include "config/share.h"

#include <system_error>

namespace trunnion {

namespace fs = std::filesystem;

fs::path share_folder() {
  std::error_code error;
  const fs::path program = fs::read_symlink("/proc/self/exe", error);
  if (!error) {
    const fs::path folder = program.parent_path();
    // PREFIX/bin/trunnion; in the build folder the program lies at the top, the tests one below.
    for (const fs::path& prefix : {folder.parent_path(), folder}) {
      fs::path share = prefix / "share" / "trunnion";
      if (fs::is_directory(share / "presets", error)) return share;
    }
  }
  return TRUNNION_SHARE_DIR;
}

}  // namespace trunnion
