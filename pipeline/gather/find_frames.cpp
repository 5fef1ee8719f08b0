#include "pipeline/gather/find_frames.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <set>

#include "core/embedded_preview.h"
#include "core/error.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

std::string lower_extension(const fs::path& file) {
  std::string extension = file.extension().string();
  for (char& c : extension) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  return extension;
}

bool jpeg(const fs::path& file) {
  const std::string extension = lower_extension(file);
  return extension == ".jpg" || extension == ".jpeg";
}

std::set<fs::path> files_in(const std::vector<fs::path>& inputs) {
  std::set<fs::path> files;
  const auto hidden = [](const fs::path& path) {
    return path.filename().string().starts_with('.');
  };
  for (const fs::path& input : inputs) {
    if (fs::is_directory(input)) {
      const fs::path root = fs::canonical(input);
      auto entries = fs::recursive_directory_iterator(root);
      for (auto entry = fs::begin(entries); entry != fs::end(entries); ++entry) {
        if (hidden(entry->path())) {
          if (entry->is_directory()) entry.disable_recursion_pending();
        } else if (entry->is_regular_file()) {
          files.insert(entry->path());
        }
      }
    } else if (fs::is_regular_file(input)) {
      files.insert(fs::canonical(input));
    } else {
      throw usage_error(
          fmt::format("{}: no such file or folder; give frames or the folder of a "
                      "card.",
                      input.string()));
    }
  }
  return files;
}

}  // namespace

FoundFrames find_frames(const std::vector<fs::path>& inputs, const fs::path& workspace) {
  const std::set<fs::path> files = files_in(inputs);
  const fs::path own = fs::weakly_canonical(workspace / "frames") / "";
  std::set<fs::path> images;
  std::set<std::string> kinds;
  for (const fs::path& file : files) {
    if (file.string().starts_with(own.string())) {
      throw usage_error(
          fmt::format("{}: lies in the workspace's own frames/, where gather puts its "
                      "copies; give the originals.",
                      file.string()));
    }
    if (!may_be_frame(file)) continue;
    images.insert(file);
    kinds.insert(lower_extension(file));
  }
  FoundFrames found;
  std::map<fs::path, std::vector<fs::path>> by_stem;
  for (const fs::path& file : files) {
    if (images.contains(file) || kinds.contains(lower_extension(file))) {
      by_stem[file.parent_path() / file.stem()].push_back(file);
    } else {
      ++found.others;
    }
  }
  for (const auto& [stem, group] : by_stem) {
    const bool raw_too =
        std::any_of(group.begin(), group.end(), [](const fs::path& file) { return !jpeg(file); });
    for (const fs::path& file : group) {
      if (raw_too && jpeg(file)) {
        ++found.companions;
      } else {
        found.frames.push_back(file);
      }
    }
  }
  std::sort(found.frames.begin(), found.frames.end());
  if (found.frames.empty()) {
    throw usage_error(
        fmt::format("{}: no image was found there; give frames or the folder of a "
                    "card.",
                    inputs.empty() ? std::string("FRAMES") : inputs.front().string()));
  }
  return found;
}

}  // namespace trunnion
