#include "core/runs.h"

#include <algorithm>
#include <cstdint>
#include <cstring>
#include <limits>

#include "core/disjoint_sets.h"

namespace trunnion {
namespace {

constexpr int kWord = 8;

std::uint64_t word_at(const std::uint8_t* at) {
  std::uint64_t word = 0;
  std::memcpy(&word, at, kWord);
  return word;
}

int next_set(const std::uint8_t* row, int x, int width) {
  while (x + kWord <= width && word_at(row + x) == 0) x += kWord;
  while (x < width && row[x] == 0) ++x;
  return x;
}

int next_clear(const std::uint8_t* row, int x, int width) {
  constexpr std::uint64_t kAll = std::numeric_limits<std::uint64_t>::max();
  while (x + kWord <= width && word_at(row + x) == kAll) x += kWord;
  while (x < width && row[x] != 0) ++x;
  return x;
}

}  // namespace

Regions regions_of(const cv::Mat& mask, Neighbours neighbours) {
  CV_Assert(mask.type() == CV_8UC1);
  Regions found;
  DisjointSets links;  // of runs that hang together
  const int slack = neighbours == Neighbours::eight ? 1 : 0;
  std::size_t above = 0;  // first run of the row above that may still touch
  std::size_t above_end = 0;
  for (int y = 0; y < mask.rows; ++y) {
    const auto* row = mask.ptr<std::uint8_t>(y);
    const std::size_t row_first = found.runs.size();
    for (int x = next_set(row, 0, mask.cols); x < mask.cols; x = next_set(row, x, mask.cols)) {
      const Run run{y, x, next_clear(row, x, mask.cols), 0};
      links.add();
      while (above < above_end && found.runs[above].end + slack <= run.begin) ++above;
      for (std::size_t k = above; k < above_end && found.runs[k].begin < run.end + slack; ++k) {
        links.join(k, found.runs.size());
      }
      found.runs.push_back(run);
      x = run.end;
    }
    above = row_first;
    above_end = found.runs.size();
  }
  for (std::size_t k = 0; k < found.runs.size(); ++k) {
    Run& run = found.runs[k];
    const std::size_t first = links.find(k);
    if (first == k) {
      run.region = found.areas.size();
      found.areas.push_back(0);
    } else {
      run.region = found.runs[first].region;
    }
    found.areas[run.region] += run.end - run.begin;
  }
  return found;
}

void paint(const Regions& regions, const std::vector<char>& wanted, unsigned char value,
           cv::Mat& mask) {
  for (const Run& run : regions.runs) {
    if (wanted[run.region] == 0) continue;
    std::fill(mask.ptr(run.y) + run.begin, mask.ptr(run.y) + run.end, value);
  }
}

}  // namespace trunnion
