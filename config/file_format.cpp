#include "config/file_format.h"

#include <fmt/format.h>

#include "core/error.h"

namespace trunnion {

void check_format(const std::string& file, std::int64_t format, std::int64_t newest) {
  if (format <= newest) return;
  throw data_error(
      fmt::format("{}: is of format {}, of a later version of trunnion; this one, {}, reads it up "
                  "to format {}. Use the version that wrote the file, or a later one.",
                  file, format, TRUNNION_VERSION, newest));
}

}  // namespace trunnion
