// Text files from mustache templates that users may replace.
#pragma once

#include <filesystem>
#include <functional>
#include <nlohmann/json_fwd.hpp>
#include <string>

namespace trunnion {

using TemplateEscape = std::function<std::string(const std::string&)>;

// The template file filled with `fields`, an object of texts, truth values, lists and objects;
// `escape` is applied to {{field}}, not to {{{field}}}.
// Throws a data error that names the file where it can't be read, is larger than 1 MB or is no
// valid mustache.
std::string fill_template(const std::filesystem::path& file, const nlohmann::json& fields,
                          const TemplateEscape& escape);

// One line for a comment in a machine program: no line break, no parenthesis, which end comments.
std::string comment_text(const std::string& text);

}  // namespace trunnion
