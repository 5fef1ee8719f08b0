// A package to hand over: BagIt 1.0 (RFC 8493), a folder whose files carry their checksums.
//
//   bagit.txt, bag-info.txt        what it is, of which specimen
//   data/                          prepared/ as the journal recorded it, specimen.toml, review.toml
//                                  and series.csv, the setup and its calibration record
//   data/provenance.json           versions, effective settings, the specimen's record, hashes
//   manifest-sha512.txt            of every file in data/
//   tagmanifest-sha512.txt         of the others but itself
//
// SHA-512, as the RFC asks of new packages (2.4). No clock goes into it: the same workspace gives
// the same bytes; with SOURCE_DATE_EPOCH the package bears that date (Bagging-Date).
#pragma once

#include <cstdint>
#include <filesystem>
#include <map>
#include <string>

#include "core/finding.h"
#include "pipeline/workspace.h"

namespace trunnion::bag {

struct Package {
  std::filesystem::path folder;
  std::size_t files = 0;     // in data/
  std::uintmax_t bytes = 0;  // of them
};

// Packs a workspace that is prepared and unchanged since; each output is compared with the
// journal's hash on its way. `folder` appears whole or not at all; it must not exist. Throws a data
// error where the workspace is not ready or an output was changed.
Package pack(const Workspace& workspace, const std::filesystem::path& folder);

// A folder that claims to be a package: it holds bagit.txt.
bool is_bag(const std::filesystem::path& folder);

struct BagCheck {
  std::size_t files = 0;  // compared with a checksum
  std::uintmax_t bytes = 0;
  Findings findings;  // a fault for whatever is missing, changed or not allowed
};

// Complete and valid by the RFC (section 3); a package that trunnion made has to be as it makes
// them, too: with tag manifest and nothing besides. Nothing is written, no file outside is read.
BagCheck check(const std::filesystem::path& folder);

// Parts that both need.

// Hex digits, by the name of a manifest: "sha512", "sha256", "sha1" or "md5".
bool is_algorithm(const std::string& name);
std::string digest_of(const std::filesystem::path& file, const std::string& algorithm);

// A path in a manifest: line feed, carriage return and % as %0A, %0D and %25 (RFC 8493, 2.1.3).
std::string manifest_path(const std::string& path);

// Lines "checksum  path", sorted by path.
std::string manifest_text(const std::map<std::string, std::string>& digest_by_path);

inline constexpr const char* kDeclaration =
    "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
inline constexpr const char* kProvenance = "data/provenance.json";

}  // namespace trunnion::bag
