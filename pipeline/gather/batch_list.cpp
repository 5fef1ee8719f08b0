#include "pipeline/gather/batch_list.h"

// GCC 12 sees null dereferences in the destructors of the template library's variant values.
#pragma GCC diagnostic ignored "-Wnull-dereference"

#include <fmt/format.h>

#include <kainjow/mustache.hpp>

#include "core/error.h"
#include "core/files.h"

namespace trunnion {
namespace {

namespace mst = kainjow::mustache;

// POSIX.1-2017, Shell Command Language, 2.2.2: nothing is special within single quotes.
std::string shell_quoted(const std::string& text) {
  std::string quoted = "'";
  for (const char c : text) {
    if (c == '\'') {
      quoted += "'\\''";
    } else {
      quoted += c;
    }
  }
  return quoted + "'";
}

}  // namespace

std::string batch_list(const std::filesystem::path& template_file, const std::string& title,
                       const std::vector<BatchSeries>& series) {
  mst::mustache engine(read_file(template_file, 1U << 20U));
  if (!engine.is_valid()) {
    throw data_error(fmt::format("{}: the template is not valid mustache ({}); correct it.",
                                 template_file.string(), engine.error_message()));
  }
  engine.set_custom_escape(shell_quoted);
  mst::data list{mst::data::type::list};
  for (const BatchSeries& each : series) {
    mst::data entry;
    entry.set("ring", each.row.ring);
    entry.set("station", std::to_string(each.row.station));
    entry.set("angle_deg", fmt::format("{:.4f}", each.row.angle_deg));
    entry.set("count", std::to_string(each.row.frames));
    entry.set("folder", each.row.folder);
    entry.set("fused", each.row.fused);
    mst::data frames{mst::data::type::list};
    for (const std::string& file : each.frames) {
      mst::data frame;
      frame.set("file", file);
      frames.push_back(frame);
    }
    entry.set("frames", frames);
    entry.set("first", each.frames.empty() ? "" : each.frames.front());
    entry.set("last", each.frames.empty() ? "" : each.frames.back());
    list.push_back(entry);
  }
  mst::data all;
  all.set("title", title);
  all.set("count", std::to_string(series.size()));
  all.set("series", list);
  return engine.render(all);
}

}  // namespace trunnion
