#include "core/extended_xmp.h"

#include <array>
#include <cstdint>
#include <fstream>
#include <map>
#include <string_view>

namespace trunnion {
namespace {

constexpr std::string_view kExtendedXmpSignature("http://ns.adobe.com/xmp/extension/\0", 35);
constexpr std::size_t kGuid = 32;
constexpr std::size_t kHead =
    kExtendedXmpSignature.size() + kGuid + 8;  // then full length and offset
constexpr std::size_t kMostXmpBytes = 256U << 20U;

std::uint32_t big_endian(std::string_view bytes) {
  std::uint32_t value = 0;
  for (const char byte : bytes.substr(0, 4))
    value = (value << 8U) | static_cast<unsigned char>(byte);
  return value;
}

}  // namespace

std::optional<std::string> extended_xmp(const std::filesystem::path& jpeg,
                                        const std::string& guid) {
  std::ifstream stream(jpeg, std::ios::binary);
  stream.seekg(2);
  std::array<unsigned char, 4> marker{};
  std::map<std::size_t, std::string> parts;  // by offset
  std::size_t whole = 0;
  // Segments stand before the scan (ITU-T T.81, B.1.1.3).
  while (stream.read(reinterpret_cast<char*>(marker.data()), marker.size())) {
    const std::size_t length = marker[2] * 256U + marker[3];
    if (marker[0] != 0xFF || marker[1] == 0xDA || length < 2) break;
    std::string body(length - 2, '\0');
    if (!stream.read(body.data(), static_cast<std::streamsize>(body.size()))) break;
    const std::string_view text(body);
    if (marker[1] != 0xE1 || text.size() < kHead || !text.starts_with(kExtendedXmpSignature) ||
        text.substr(kExtendedXmpSignature.size(), kGuid) != guid) {
      continue;
    }
    whole = big_endian(text.substr(kExtendedXmpSignature.size() + kGuid));
    parts[big_endian(text.substr(kExtendedXmpSignature.size() + kGuid + 4))] = body.substr(kHead);
  }
  if (whole == 0 || whole > kMostXmpBytes) return std::nullopt;
  std::string packet;
  for (const auto& [offset, part] : parts) {
    if (offset != packet.size()) return std::nullopt;
    packet += part;
  }
  return packet.size() == whole ? std::optional(packet) : std::nullopt;
}

}  // namespace trunnion
