#include "core/date.h"

#include <fmt/chrono.h>

#include <charconv>
#include <chrono>
#include <cstdio>
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

std::optional<double> seconds_since_1970(const std::string& date) {
  int year = 0;
  int month = 0;
  int day = 0;
  int hour = 0;
  int minute = 0;
  double second = 0;
  if (std::sscanf(date.c_str(), "%4d%*1[:-]%2d%*1[:-]%2d%*1[ T]%2d:%2d:%lf", &year, &month, &day,
                  &hour, &minute, &second) != 6) {
    return std::nullopt;
  }
  const std::chrono::year_month_day ymd{std::chrono::year(year),
                                        std::chrono::month(static_cast<unsigned>(month)),
                                        std::chrono::day(static_cast<unsigned>(day))};
  const bool of_a_day = hour >= 0 && hour <= 23 && minute >= 0 && minute <= 59;
  if (!ymd.ok() || !of_a_day || !(second >= 0 && second < 61)) return std::nullopt;
  const auto days = std::chrono::sys_days(ymd).time_since_epoch().count();
  return static_cast<double>(days) * 86400.0 + hour * 3600.0 + minute * 60.0 + second;
}

std::string iso_date_of_run() {
  return iso_date(source_date().value_or(std::time(nullptr)));
}

}  // namespace trunnion
