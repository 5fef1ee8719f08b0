#include <fmt/format.h>
#include <openssl/evp.h>

#include <array>
#include <fstream>
#include <memory>
#include <vector>

#include "core/error.h"
#include "pipeline/bag/bag.h"

namespace trunnion::bag {

bool is_algorithm(const std::string& name) {
  return name == "sha512" || name == "sha256" || name == "sha1" || name == "md5";
}

std::string digest_of(const std::filesystem::path& file, const std::string& algorithm) {
  const std::unique_ptr<EVP_MD_CTX, decltype(&EVP_MD_CTX_free)> context(EVP_MD_CTX_new(),
                                                                        &EVP_MD_CTX_free);
  const EVP_MD* const kind = EVP_get_digestbyname(algorithm.c_str());
  if (!context || kind == nullptr || EVP_DigestInit_ex(context.get(), kind, nullptr) != 1) {
    throw output_error(
        fmt::format("Checksums of kind {} can't be made on this system; install its "
                    "cryptography library again.",
                    algorithm));
  }
  std::ifstream in(file, std::ios::binary);
  std::vector<char> block(1U << 20U);
  while (in) {
    in.read(block.data(), static_cast<std::streamsize>(block.size()));
    EVP_DigestUpdate(context.get(), block.data(), static_cast<std::size_t>(in.gcount()));
  }
  if (!in.eof()) {
    throw data_error(
        fmt::format("{}: cannot be read; check permissions and the disk.", file.string()));
  }
  std::array<unsigned char, EVP_MAX_MD_SIZE> bytes{};
  unsigned int size = 0;
  EVP_DigestFinal_ex(context.get(), bytes.data(), &size);
  std::string text;
  for (unsigned int i = 0; i < size; ++i) text += fmt::format("{:02x}", bytes.at(i));
  return text;
}

std::string manifest_path(const std::string& path) {
  std::string text;
  for (const char each : path) {
    if (each == '\n' || each == '\r' || each == '%') {
      text += fmt::format("%{:02X}", static_cast<unsigned>(each));
    } else {
      text += each;
    }
  }
  return text;
}

std::string manifest_text(const std::map<std::string, std::string>& digest_by_path) {
  std::string text;
  for (const auto& [path, digest] : digest_by_path) {
    text += fmt::format("{}  {}\n", digest, manifest_path(path));
  }
  return text;
}

}  // namespace trunnion::bag
