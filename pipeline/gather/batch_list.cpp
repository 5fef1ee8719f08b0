#include "pipeline/gather/batch_list.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "core/text_template.h"

namespace trunnion {
namespace {

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
  nlohmann::json list = nlohmann::json::array();
  for (const BatchSeries& each : series) {
    nlohmann::json frames = nlohmann::json::array();
    for (const std::string& file : each.frames) frames.push_back({{"file", file}});
    list.push_back({{"ring", each.row.ring},
                    {"station", std::to_string(each.row.station)},
                    {"angle_deg", fmt::format("{:.4f}", each.row.angle_deg)},
                    {"count", std::to_string(each.row.frames)},
                    {"folder", each.row.folder},
                    {"fused", each.row.fused},
                    {"frames", frames},
                    {"first", each.frames.empty() ? "" : each.frames.front()},
                    {"last", each.frames.empty() ? "" : each.frames.back()}});
  }
  const nlohmann::json fields{
      {"title", title}, {"count", std::to_string(series.size())}, {"series", list}};
  return fill_template(template_file, fields, shell_quoted);
}

}  // namespace trunnion
