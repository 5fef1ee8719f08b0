#include "core/date.h"

#include <fmt/chrono.h>

#include <charconv>
#include <cstdlib>
#include <string_view>

#include "core/error.h"

namespace trunnion {

std::optional<std::time_t> source_date() {
  constexpr std::time_t kEndOf9999 = 253'402'300'799;
  const char* variable = std::getenv("SOURCE_DATE_EPOCH");
  const std::string_view text = variable == nullptr ? "" : variable;
  if (text.empty()) return std::nullopt;
  std::time_t seconds = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), seconds);
  if (error != std::errc() || end != text.data() + text.size() || seconds < 0 ||
      seconds > kEndOf9999) {
    throw usage_error(
        fmt::format("SOURCE_DATE_EPOCH: \"{}\" is no whole number of seconds since 1970; correct "
                    "the environment variable or unset it.",
                    text));
  }
  return seconds;
}

std::string iso_date(std::time_t time) {
  return fmt::format("{:%Y-%m-%dT%H:%M:%SZ}", fmt::gmtime(time));
}

std::string exif_date(std::time_t time) {
  return fmt::format("{:%Y:%m:%d %H:%M:%S}", fmt::gmtime(time));
}

std::string iso_date_of_run() {
  return iso_date(source_date().value_or(std::time(nullptr)));
}

}  // namespace trunnion
