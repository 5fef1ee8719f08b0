#include "config/presets.h"

#include <fmt/format.h>

#include <algorithm>

#include "config/share.h"
#include "config/toml_reader.h"
#include "core/error.h"

namespace trunnion {

namespace fs = std::filesystem;

fs::path preset_folder() {
  return share_folder() / "presets";
}

std::vector<std::string> preset_names() {
  std::vector<std::string> names;
  std::error_code error;
  for (const fs::directory_entry& entry : fs::directory_iterator(preset_folder(), error)) {
    if (entry.path().extension() == ".toml") names.push_back(entry.path().stem().string());
  }
  if (names.empty()) {
    throw data_error(fmt::format(
        "{} contains no presets; install trunnion again with its share folder or give setup files.",
        preset_folder().string()));
  }
  std::sort(names.begin(), names.end());
  return names;
}

Setup read_preset(const std::string& name) {
  const std::vector<std::string> names = preset_names();
  if (!std::binary_search(names.begin(), names.end(), name)) {
    const std::string near = nearest_word(name, names);
    throw usage_error(fmt::format("There is no preset \"{}\"; {}.", name,
                                  near.empty() ? "trunnion plan --list-presets lists them"
                                               : fmt::format("did you mean \"{}\"?", near)));
  }
  return read_setup(preset_folder() / (name + ".toml"));
}

}  // namespace trunnion
