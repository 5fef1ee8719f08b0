#include "config/output_names.h"

#include <algorithm>
#include <filesystem>

namespace trunnion {
namespace {

std::string small_letters(std::string text) {
  for (char& c : text) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  return text;
}

}  // namespace

std::string_view own_output_at(const std::string& name) {
  const std::filesystem::path path = std::filesystem::path(name).lexically_normal();
  if (path.empty()) return {};
  const std::string first = small_letters(path.begin()->string());
  const auto* const own = std::find(kOwnOutputs.begin(), kOwnOutputs.end(), first);
  return own == kOwnOutputs.end() ? std::string_view() : *own;
}

}  // namespace trunnion
