// The number of a file's format. Files of every released version are read by each later one; what a
// later version wrote is refused by name rather than half understood (docs/library.md).
//   record         "format": "trunnion calibration record 1"
//   plan, cameras  "version": 1
//   TOML           format = 1, which may be left out
#pragma once

#include <cstdint>
#include <string>

namespace trunnion {

// Throws a data error that names the file where `format` is later than `newest`, which this program
// reads.
void check_format(const std::string& file, std::int64_t format, std::int64_t newest);

}  // namespace trunnion
