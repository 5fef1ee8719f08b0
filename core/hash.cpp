#include "core/hash.h"

#include <fmt/format.h>
#include <xxhash.h>

#include <cstdio>
#include <memory>
#include <vector>

#include "core/error.h"

namespace trunnion {
namespace {

std::string hex(const XXH128_hash_t& hash) {
  return fmt::format("{:016x}{:016x}", hash.high64, hash.low64);
}

}  // namespace

std::string hash_bytes(std::string_view bytes) {
  return hex(XXH3_128bits(bytes.data(), bytes.size()));
}

std::string hash_file(const std::filesystem::path& path) {
  const std::unique_ptr<std::FILE, int (*)(std::FILE*)> file(std::fopen(path.c_str(), "rbe"),
                                                             &std::fclose);
  if (!file) {
    throw data_error(fmt::format("{}: cannot be opened for reading; check path and permissions.",
                                 path.string()));
  }
  const std::unique_ptr<XXH3_state_t, XXH_errorcode (*)(XXH3_state_t*)> state(XXH3_createState(),
                                                                              &XXH3_freeState);
  XXH3_128bits_reset(state.get());
  std::vector<char> buffer(1U << 20U);
  std::size_t got = 0;
  while ((got = std::fread(buffer.data(), 1, buffer.size(), file.get())) > 0) {
    XXH3_128bits_update(state.get(), buffer.data(), got);
  }
  if (std::ferror(file.get()) != 0) {
    throw data_error(
        fmt::format("{}: reading failed; check the disk and run again.", path.string()));
  }
  return hex(XXH3_128bits_digest(state.get()));
}

}  // namespace trunnion
