#include <fmt/format.h>

#include <algorithm>
#include <limits>
#include <map>

#include "stages/gather/gather.h"

namespace trunnion::gather {
namespace {

constexpr int kLastNumber = 9999;
constexpr int kRollOver = 5000;  // a gap in the numbers as wide as this is where the count began

// Frames of one folder, in order.
struct Folder {
  std::vector<std::size_t> frames;
  std::optional<double> begins_s;
  std::optional<int> first;
  std::optional<int> last;
};

// Names without numbers go by time, then by name.
void sort_folder(const std::vector<Frame>& frames, Folder& folder) {
  const bool numbered = std::all_of(folder.frames.begin(), folder.frames.end(),
                                    [&](std::size_t i) { return frames[i].number.has_value(); });
  if (!numbered) {
    std::stable_sort(folder.frames.begin(), folder.frames.end(), [&](std::size_t a, std::size_t b) {
      const double never = std::numeric_limits<double>::max();
      return frames[a].time_s.value_or(never) < frames[b].time_s.value_or(never);
    });
  } else {
    std::stable_sort(folder.frames.begin(), folder.frames.end(), [&](std::size_t a, std::size_t b) {
      return *frames[a].number < *frames[b].number;
    });
    for (std::size_t i = 1; i < folder.frames.size(); ++i) {
      const int step = *frames[folder.frames[i]].number - *frames[folder.frames[i - 1]].number;
      if (step < kRollOver) continue;
      std::rotate(folder.frames.begin(), folder.frames.begin() + static_cast<std::ptrdiff_t>(i),
                  folder.frames.end());
      break;
    }
    folder.first = frames[folder.frames.front()].number;
    folder.last = frames[folder.frames.back()].number;
  }
  for (const std::size_t i : folder.frames) {
    if (!frames[i].time_s) continue;
    folder.begins_s = frames[i].time_s;
    break;
  }
}

bool joins(const Folder& a, const Folder& b) {
  return a.last && b.first && *b.first == *a.last % kLastNumber + 1;
}

// Folders in an order in which every one that continues another by its numbers follows it.
bool chain(std::vector<Folder>& folders) {
  std::vector<Folder> chained;
  std::vector<bool> taken(folders.size(), false);
  const auto follows_any = [&](std::size_t i) {
    for (std::size_t j = 0; j < folders.size(); ++j) {
      if (j != i && joins(folders[j], folders[i])) return true;
    }
    return false;
  };
  for (std::size_t i = 0; i < folders.size(); ++i) {
    if (taken[i] || follows_any(i)) continue;
    std::size_t at = i;
    for (;;) {
      taken[at] = true;
      chained.push_back(folders[at]);
      std::size_t next = folders.size();
      for (std::size_t j = 0; j < folders.size(); ++j) {
        if (!taken[j] && next == folders.size() && joins(folders[at], folders[j])) next = j;
      }
      if (next == folders.size()) break;
      at = next;
    }
  }
  if (chained.size() != folders.size()) return false;  // numbers that bite their own tail
  bool same = true;
  for (std::size_t i = 0; i < folders.size(); ++i) {
    same = same && folders[i].frames.front() == chained[i].frames.front();
  }
  folders = std::move(chained);
  return !same;
}

}  // namespace

std::vector<std::size_t> shooting_order(const std::vector<Frame>& frames, Findings& findings) {
  std::map<std::string, Folder> by_name;
  for (std::size_t i = 0; i < frames.size(); ++i) by_name[frames[i].folder].frames.push_back(i);
  std::vector<Folder> folders;
  for (auto& [name, folder] : by_name) {
    std::stable_sort(folder.frames.begin(), folder.frames.end(),
                     [&](std::size_t a, std::size_t b) { return frames[a].file < frames[b].file; });
    sort_folder(frames, folder);
    folders.push_back(std::move(folder));
  }
  std::stable_sort(folders.begin(), folders.end(), [](const Folder& a, const Folder& b) {
    const double never = std::numeric_limits<double>::max();
    return a.begins_s.value_or(never) < b.begins_s.value_or(never);
  });
  if (chain(folders)) {
    findings.push_back(
        {Severity::doubt, "gather", "",
         "The file numbers put the folders in another order than the times do; the numbers are "
         "followed.",
         "Check the camera's clock; where the numbers are wrong, gather folder by folder."});
  }
  std::vector<std::size_t> order;
  for (const Folder& folder : folders) {
    order.insert(order.end(), folder.frames.begin(), folder.frames.end());
  }
  return order;
}

}  // namespace trunnion::gather
