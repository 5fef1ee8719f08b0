// A web page in the program: one HTML document with script and style inlined, bundled by the build.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <string_view>

namespace trunnion {

struct Page {
  std::string_view document;
  std::string_view policy;  // Content-Security-Policy: the hashes of its script and its style
};

// The document with `data` where the marker @@DATA@@ stands, inside a script element. Whatever a
// title or a file name holds, no tag and no comment can begin or end in it; ASCII only, so that the
// page's encoding can't matter. Throws std::logic_error where the document has no marker.
std::string page_with_data(const Page& page, const nlohmann::ordered_json& data);

}  // namespace trunnion
