// What a run wrote, as the journal recorded it: the list that verify compares with the disk.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

namespace trunnion {

struct ManifestFile {
  std::string path;  // relative to the workspace, forward slashes
  std::uintmax_t bytes = 0;
  std::string hash;  // core/hash.h
};

struct Manifest {
  std::vector<ManifestFile> files;
};

}  // namespace trunnion
