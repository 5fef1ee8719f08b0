#include "pipeline/board_images.h"

#include <fmt/format.h>
#include <glob.h>
#include <tbb/parallel_for.h>
#include <tbb/task_arena.h>

#include <algorithm>
#include <charconv>
#include <opencv2/core/utility.hpp>
#include <set>

#include "core/error.h"
#include "core/hash.h"
#include "core/image_io.h"

namespace trunnion {

namespace fs = std::filesystem;

BoardPattern parse_board(const std::string& text, double square_mm) {
  BoardPattern pattern;
  pattern.square_mm = square_mm;
  const char* end = text.data() + text.size();
  const auto first = std::from_chars(text.data(), end, pattern.columns);
  const bool has_x = first.ec == std::errc() && first.ptr < end && *first.ptr == 'x';
  const auto second =
      has_x ? std::from_chars(first.ptr + 1, end, pattern.rows) : std::from_chars_result{};
  if (!has_x || second.ec != std::errc() || second.ptr != end || pattern.columns < 3 ||
      pattern.rows < 3 || pattern.columns > 200 || pattern.rows > 200) {
    throw usage_error(
        fmt::format("--board is \"{}\"; give the inner corners as COLUMNSxROWS, each from 3 to "
                    "200, for example 9x6.",
                    text));
  }
  return pattern;
}

std::vector<fs::path> expand_files(const std::vector<std::string>& patterns) {
  std::set<fs::path> found;
  for (const std::string& pattern : patterns) {
    if (fs::exists(pattern)) {
      found.insert(pattern);
      continue;
    }
    glob_t matches{};
    const int status = ::glob(pattern.c_str(), 0, nullptr, &matches);
    for (std::size_t i = 0; status == 0 && i < matches.gl_pathc; ++i) {
      found.insert(matches.gl_pathv[i]);
    }
    const bool none = status != 0 || matches.gl_pathc == 0;
    globfree(&matches);
    if (none) {
      throw usage_error(fmt::format(
          "--images {}: no file matches; check the folder and the pattern, and quote it.",
          pattern));
    }
  }
  return {found.begin(), found.end()};
}

std::vector<BoardFile> find_boards(const std::vector<fs::path>& files, const BoardPattern& pattern,
                                   int jobs, const BoardOptions& options) {
  std::vector<BoardFile> boards(files.size());
  double largest = 1;
  for (std::size_t i = 0; i < files.size(); ++i) {
    const ImageInfo info = probe_image(files[i]);
    boards[i].file = files[i];
    boards[i].width_px = info.width_px;
    boards[i].height_px = info.height_px;
    largest = std::max(largest, static_cast<double>(info.width_px) * info.height_px);
  }
  const int at_once = std::max(1, static_cast<int>(60e6 / largest));
  const int workers = std::min(jobs > 0 ? jobs : tbb::this_task_arena::max_concurrency(), at_once);
  tbb::task_arena arena(workers);
  arena.execute([&] {
    tbb::parallel_for(
        tbb::blocked_range<std::size_t>(0, files.size(), 1),
        [&](const tbb::blocked_range<std::size_t>& range) {
          for (std::size_t i = range.begin(); i < range.end(); ++i) {
            boards[i].view = find_board(read_image(files[i]), pattern, options);
            boards[i].hash = hash_file(files[i]);
          }
        },
        tbb::simple_partitioner());
  });
  return boards;
}

}  // namespace trunnion
