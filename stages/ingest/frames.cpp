#include "stages/ingest/frames.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <map>

namespace trunnion::ingest {
namespace {

namespace fs = std::filesystem;

constexpr std::string_view kStation = "{station}";
constexpr std::string_view kRing = "{ring}";

bool digit(char c) {
  return c >= '0' && c <= '9';
}

// `before` is the character in front of `name`: a number that begins behind a digit is only the end
// of another one.
bool matches(std::string_view name, std::string_view pattern, int station, char before = '\0') {
  while (!pattern.empty()) {
    if (pattern.starts_with(kStation)) {
      const auto end = std::find_if_not(name.begin(), name.end(), digit);
      const auto length = static_cast<std::size_t>(end - name.begin());
      int found = -1;
      const auto [stop, code] = std::from_chars(name.data(), name.data() + length, found);
      if (digit(before) || code != std::errc() || found != station) return false;
      name.remove_prefix(length);
      pattern.remove_prefix(kStation.size());
      before = '0';
    } else if (pattern.front() == '*') {
      for (std::size_t i = 0; i <= name.size(); ++i) {
        if (matches(name.substr(i), pattern.substr(1), station, i > 0 ? name[i - 1] : before)) {
          return true;
        }
      }
      return false;
    } else {
      if (name.empty() || name.front() != pattern.front()) return false;
      before = name.front();
      name.remove_prefix(1);
      pattern.remove_prefix(1);
    }
  }
  return name.empty();
}

std::string with_ring(std::string text, const std::string& ring) {
  for (std::size_t at = text.find(kRing); at != std::string::npos;
       at = text.find(kRing, at + ring.size())) {
    text.replace(at, kRing.size(), ring);
  }
  return text;
}

// Folders are listed once for the whole set; a hidden file is no frame.
class Listing {
 public:
  const std::vector<std::string>& names_in(const fs::path& folder) {
    const auto [place, fresh] = known_.try_emplace(folder);
    if (!fresh) return place->second;
    std::error_code code;
    for (const auto& entry : fs::directory_iterator(folder, code)) {
      const std::string name = entry.path().filename().string();
      if (!name.starts_with('.')) place->second.push_back(name);
    }
    std::sort(place->second.begin(), place->second.end());
    return place->second;
  }

 private:
  std::map<fs::path, std::vector<std::string>> known_;
};

std::vector<std::string> matching(Listing& listing, const fs::path& workspace,
                                  const std::string& pattern, const std::string& ring,
                                  int station) {
  std::vector<std::string> found{""};
  for (const fs::path& part : fs::path(pattern).lexically_normal()) {
    const std::string wanted = with_ring(part.string(), ring);
    std::vector<std::string> deeper;
    for (const std::string& folder : found) {
      for (const std::string& name : listing.names_in(workspace / folder)) {
        if (matches(name, wanted, station)) {
          deeper.push_back((fs::path(folder) / name).generic_string());
        }
      }
    }
    found = std::move(deeper);
  }
  std::erase_if(found, [&](const std::string& file) {
    std::error_code code;
    return !fs::is_regular_file(workspace / file, code);
  });
  return found;
}

}  // namespace

std::vector<std::string> matching_frames(const fs::path& workspace, const std::string& pattern,
                                         const std::string& ring, int station) {
  Listing listing;
  return matching(listing, workspace, pattern, ring, station);
}

void find_frames(const fs::path& workspace, const std::string& pattern,
                 std::vector<StationImage>& images, Findings& findings) {
  if (pattern.empty()) return;
  const bool series = pattern.find('*') != std::string::npos;
  Listing listing;
  std::vector<std::string> without;
  for (StationImage& image : images) {
    const std::vector<std::string> found =
        matching(listing, workspace, pattern, image.ring, image.station);
    if (found.empty()) {
      if (image.frame.empty()) without.push_back(image.name);
      continue;
    }
    if (image.frame.empty()) image.frame = found.front();
    if (!series) continue;
    const int count = static_cast<int>(found.size());
    if (image.frames > 0 && image.frames != count) {
      findings.push_back({Severity::doubt, "ingest", image.source,
                          fmt::format("specimen.toml or the capture table gives {0} frames for "
                                      "{1}, but {2} files match output.frame; {0} is used.",
                                      image.frames, image.source, count),
                          "Correct frames in specimen.toml or the capture table, or the pattern."});
    }
    if (image.frames == 0) image.frames = count;
  }
  if (without.empty()) return;
  const std::size_t shown = std::min<std::size_t>(without.size(), 12);
  findings.push_back(
      {Severity::doubt, "ingest", "",
       fmt::format("No frame fits output.frame = \"{}\" for {} of {} stations: {}{}.", pattern,
                   without.size(), images.size(),
                   fmt::join(without.begin(), without.begin() + static_cast<long>(shown), ", "),
                   shown < without.size() ? ", ..." : ""),
       "Correct the pattern; until then date and exposure come from the fused image only."});
}

}  // namespace trunnion::ingest
