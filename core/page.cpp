#include "core/page.h"

#include <fmt/format.h>

#include <stdexcept>

namespace trunnion {
namespace {

std::string inline_json(const nlohmann::ordered_json& json) {
  const std::string text =
      json.dump(-1, ' ', true, nlohmann::ordered_json::error_handler_t::replace);
  std::string safe;
  safe.reserve(text.size() + text.size() / 64);
  for (const char c : text) {
    if (c == '<' || c == '>' || c == '&') {
      safe += fmt::format("\\u{:04x}", static_cast<unsigned>(c));
    } else {
      safe += c;
    }
  }
  return safe;
}

}  // namespace

std::string page_with_data(const Page& page, const nlohmann::ordered_json& data) {
  constexpr std::string_view kMarker = "@@DATA@@";
  const std::size_t at = page.document.find(kMarker);
  if (at == std::string_view::npos) throw std::logic_error("the page has no place for its data");
  return std::string(page.document.substr(0, at)) + inline_json(data) +
         std::string(page.document.substr(at + kMarker.size()));
}

}  // namespace trunnion
