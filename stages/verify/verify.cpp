#include "stages/verify/verify.h"

#include <fmt/format.h>

#include <set>

#include "core/error.h"
#include "core/hash.h"
#include "stages/verify/checks.h"
#include "stages/verify/readers.h"

namespace trunnion::verify {
namespace {

void check_files(const fs::path& workspace, const Manifest& manifest, VerifyResult& result) {
  std::set<fs::path> known;
  for (const ManifestFile& entry : manifest.files) {
    known.insert(fs::path(entry.path).lexically_normal());
    const fs::path path = workspace / entry.path;
    std::error_code code;
    const std::uintmax_t bytes = fs::file_size(path, code);
    if (code) {
      add_fault(result, entry.path, "The file is recorded but missing.");
      continue;
    }
    ++result.files;
    result.bytes += bytes;
    if (bytes != entry.bytes) {
      add_fault(result, entry.path,
                fmt::format("The file has {} bytes, but {} were recorded.", bytes, entry.bytes));
    } else if (hash_file(path) != entry.hash) {
      add_fault(result, entry.path, "The content differs from what was recorded (hash).");
    }
  }
  const fs::path prepared = workspace / "prepared";
  std::error_code code;
  std::set<std::string> strangers;
  for (const auto& entry : fs::recursive_directory_iterator(prepared, code)) {
    const fs::path relative = fs::path("prepared") / entry.path().lexically_relative(prepared);
    if (entry.is_regular_file() && !known.contains(relative.lexically_normal())) {
      strangers.insert(relative.generic_string());
    }
  }
  for (const std::string& file : strangers) {
    result.findings.push_back({Severity::note, "verify", file,
                               "The file does not belong to this run.",
                               "Nothing to do; remove the file if you do not need it."});
  }
}

}  // namespace

void add_fault(VerifyResult& result, const std::string& file, const std::string& what) {
  result.findings.push_back({Severity::fault, "verify", file, what,
                             "Run trunnion prepare again; it writes these files again."});
}

VerifyResult verify(const fs::path& workspace, const Manifest& manifest,
                    const VerifyOptions& options) {
  VerifyResult result;
  check_files(workspace, manifest, result);
  const fs::path prepared = workspace / "prepared";
  try {
    const Scene scene = read_cameras_json(read_file(prepared / "cameras.json", kTextLimit));
    check_formats(prepared, scene, options, result);
    check_images(prepared, scene, result);
  } catch (const Error& error) {
    add_fault(result, "prepared/cameras.json", error.what());
  }
  return result;
}

}  // namespace trunnion::verify
