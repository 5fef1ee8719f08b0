#include "tests/support/png_by_hand.h"

#include <zlib.h>

#include <cstdint>

namespace trunnion::test {
namespace {

std::string png_number(std::uint32_t value) {
  std::string bytes(4, '\0');
  for (std::size_t i = 4; i-- > 0; value >>= 8U) bytes[i] = static_cast<char>(value & 0xFFU);
  return bytes;
}

const Bytef* bytes_of(const std::string& text) {
  return reinterpret_cast<const Bytef*>(text.data());
}

std::string deflated(const std::string& bytes) {
  uLongf size = compressBound(static_cast<uLong>(bytes.size()));
  std::string packed(size, '\0');
  compress(reinterpret_cast<Bytef*>(packed.data()), &size, bytes_of(bytes),
           static_cast<uLong>(bytes.size()));
  packed.resize(size);
  return packed;
}

}  // namespace

std::string png_chunk(const std::string& type, const std::string& data) {
  const std::string body = type + data;
  const auto sum = crc32(0, bytes_of(body), static_cast<uInt>(body.size()));
  return png_number(static_cast<std::uint32_t>(data.size())) + body +
         png_number(static_cast<std::uint32_t>(sum));
}

std::string png_by_hand(cv::Size size, int bits, int colour, const std::string& rows,
                        const std::string& extra) {
  const std::string header = png_number(static_cast<std::uint32_t>(size.width)) +
                             png_number(static_cast<std::uint32_t>(size.height)) +
                             std::string{static_cast<char>(bits), static_cast<char>(colour)} +
                             std::string(3, '\0');
  return "\x89PNG\r\n\x1A\n" + png_chunk("IHDR", header) + extra +
         png_chunk("IDAT", deflated(rows)) + png_chunk("IEND", "");
}

}  // namespace trunnion::test
