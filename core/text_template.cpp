// GCC 12 sees null dereferences in the template library's variant values.
#pragma GCC diagnostic ignored "-Wnull-dereference"

#include "core/text_template.h"

#include <fmt/format.h>

#include <kainjow/mustache.hpp>
#include <nlohmann/json.hpp>

#include "core/error.h"
#include "core/files.h"

namespace trunnion {
namespace {

namespace mst = kainjow::mustache;

mst::data data_of(const nlohmann::json& value) {
  if (value.is_boolean()) {
    return mst::data{value.get<bool>() ? mst::data::type::bool_true : mst::data::type::bool_false};
  }
  if (value.is_array()) {
    mst::data list{mst::data::type::list};
    for (const nlohmann::json& each : value) list.push_back(data_of(each));
    return list;
  }
  if (value.is_object()) {
    mst::data object{mst::data::type::object};
    for (const auto& [key, each] : value.items()) object.set(key, data_of(each));
    return object;
  }
  return mst::data{value.get<std::string>()};
}

}  // namespace

std::string fill_template(const std::filesystem::path& file, const nlohmann::json& fields,
                          const TemplateEscape& escape) {
  mst::mustache engine(read_file(file, 1U << 20U));
  if (!engine.is_valid()) {
    throw data_error(fmt::format("{}: the template is not valid mustache ({}); correct it.",
                                 file.string(), engine.error_message()));
  }
  engine.set_custom_escape(escape);
  return engine.render(data_of(fields));
}

std::string comment_text(const std::string& text) {
  std::string result = text;
  for (char& c : result) {
    if (c == '(') {
      c = '[';
    } else if (c == ')') {
      c = ']';
    } else if (static_cast<unsigned char>(c) < 0x20) {
      c = ' ';
    }
  }
  return result;
}

}  // namespace trunnion
