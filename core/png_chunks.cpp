#include "core/png_chunks.h"

#include <fmt/format.h>
#include <zlib.h>

#include <algorithm>
#include <array>
#include <cstdint>
#include <fstream>
#include <set>

#include "core/error.h"
#include "core/files.h"

namespace trunnion {
namespace {

constexpr std::size_t kSignature = 8;
constexpr std::string_view kXmpKeyword = "XML:com.adobe.xmp";

Error broken(const fs::path& file) {
  return data_error(fmt::format("{}: is a damaged PNG; prepare the image again.", file.string()));
}

std::uint32_t big_endian(const char* bytes) {
  std::uint32_t value = 0;
  for (int i = 0; i < 4; ++i) value = (value << 8U) | static_cast<unsigned char>(bytes[i]);
  return value;
}

std::string big_endian(std::uint32_t value) {
  std::string bytes(4, '\0');
  for (std::size_t i = 4; i-- > 0; value >>= 8U) bytes[i] = static_cast<char>(value & 0xFFU);
  return bytes;
}

std::string deflated(const std::string& bytes) {
  uLongf size = compressBound(static_cast<uLong>(bytes.size()));
  std::string packed(size, '\0');
  compress2(reinterpret_cast<Bytef*>(packed.data()), &size,
            reinterpret_cast<const Bytef*>(bytes.data()), static_cast<uLong>(bytes.size()), 9);
  packed.resize(size);
  return packed;
}

std::string encoded(const PngChunk& chunk) {
  const std::string body = chunk.type + chunk.data;
  const auto crc = static_cast<std::uint32_t>(
      crc32(0, reinterpret_cast<const Bytef*>(body.data()), static_cast<uInt>(body.size())));
  return big_endian(static_cast<std::uint32_t>(chunk.data.size())) + body + big_endian(crc);
}

// Of a file that write_image wrote: what this function may have put there, or speaks of colour.
bool replaced(std::string_view type) {
  static const std::set<std::string_view> types{"eXIf", "iCCP", "sRGB", "gAMA", "cHRM", "cICP",
                                                "pHYs", "iTXt", "zTXt", "tEXt", "tIME"};
  return types.contains(type);
}

bool is_text(std::string_view type) {
  return type == "tEXt" || type == "zTXt" || type == "iTXt";
}

bool may_be_kept(std::string_view type) {
  return type == "gAMA" || type == "cHRM" || type == "sRGB" || type == "cICP" || type == "pHYs" ||
         is_text(type);
}

// Read by the library that knows Exif, IPTC and XMP.
bool holds_metadata(const std::string& keyword) {
  static const std::set<std::string> keywords{std::string(kXmpKeyword), "Raw profile type exif",
                                              "Raw profile type APP1", "Raw profile type iptc",
                                              "Raw profile type xmp"};
  return keywords.contains(keyword);
}

// One chunk to where it belongs; the stream stands behind it afterwards.
void sort_chunk(std::istream& in, const std::string& type, std::uint32_t size, PngChunks& chunks) {
  constexpr std::uint32_t kMostBytes = 16U << 20U;
  const std::streamoff end = std::streamoff{in.tellg()} + size + 4;
  if (may_be_kept(type)) {
    PngChunk chunk{type, std::string(std::min(size, kMostBytes), '\0')};
    std::array<char, 4> crc{};
    in.read(chunk.data.data(), static_cast<std::streamsize>(chunk.data.size()));
    in.read(crc.data(), crc.size());
    const std::string whole = encoded(chunk);
    if (!in || whole.substr(whole.size() - 4) != std::string_view(crc.data(), crc.size())) {
      chunks.damaged.push_back(type);
    } else if (!holds_metadata(png_keyword(chunk))) {
      chunks.kept.push_back(chunk);
    }
  } else if ((type[0] & 0x20) != 0 && type != "iCCP" && type != "eXIf" && type != "tRNS" &&
             type != "tIME") {
    chunks.others.push_back(type);  // a small first letter: ancillary (5.4)
  }
  in.seekg(end);
}

void copy_bytes(std::ifstream& in, std::ofstream& out, std::uint64_t count, std::string& buffer) {
  while (count > 0 && in) {
    const std::uint64_t step = std::min<std::uint64_t>(count, buffer.size());
    in.read(buffer.data(), static_cast<std::streamsize>(step));
    out.write(buffer.data(), in.gcount());
    count -= step;
  }
}

}  // namespace

PngChunks read_png_chunks(const fs::path& file) {
  std::ifstream in(file, std::ios::binary);
  in.seekg(kSignature);
  PngChunks chunks;
  std::array<char, 8> head{};
  while (in.read(head.data(), head.size())) {
    const std::string type(head.data() + 4, 4);
    if (type == "IEND") break;
    sort_chunk(in, type, big_endian(head.data()), chunks);
  }
  return chunks;
}

std::string png_keyword(const PngChunk& chunk) {
  return is_text(chunk.type) ? chunk.data.substr(0, chunk.data.find('\0')) : std::string();
}

void replace_png_metadata(const fs::path& file, const std::vector<PngChunk>& chunks) {
  const fs::path copy =
      file.parent_path() / (std::string(kTemporaryPrefix) + "png." + file.filename().string());
  std::ifstream in(file, std::ios::binary);
  std::ofstream out(copy, std::ios::binary | std::ios::trunc);
  std::string buffer(1U << 20U, '\0');
  copy_bytes(in, out, kSignature, buffer);
  bool done = false;
  while (!done) {
    std::array<char, 8> head{};
    in.read(head.data(), head.size());
    const std::uint64_t rest = std::uint64_t{big_endian(head.data())} + 4;  // data and CRC
    const std::string_view type(head.data() + 4, 4);
    if (!in) {
      fs::remove(copy);
      throw broken(file);
    }
    if (replaced(type)) {
      in.seekg(static_cast<std::streamoff>(rest), std::ios::cur);
      continue;
    }
    out.write(head.data(), head.size());
    copy_bytes(in, out, rest, buffer);
    if (type == "IHDR") {
      for (const PngChunk& chunk : chunks) out << encoded(chunk);
    }
    done = type == "IEND" || !in;
  }
  out.close();
  if (!in || !out) {
    fs::remove(copy);
    throw output_error(
        fmt::format("{}: writing the metadata failed; check the space on the disk "
                    "and run again.",
                    file.string()));
  }
  fs::rename(copy, file);
}

PngChunk png_profile(const std::string& icc) {
  return {"iCCP", std::string("ICC profile\0\0", 13) + deflated(icc)};
}

PngChunk png_xmp(const std::string& packet) {
  // Keyword, then no compression, no language, no translated keyword.
  return {"iTXt", std::string(kXmpKeyword) + std::string(5, '\0') + packet};
}

PngChunk png_raw_profile(const std::string& name, const std::string& bytes) {
  std::string text = fmt::format("\n{}\n{:8}\n", name, bytes.size());
  for (std::size_t i = 0; i < bytes.size(); ++i) {
    text += fmt::format("{:02x}", static_cast<unsigned char>(bytes[i]));
    if (i % 36 == 35) text += '\n';
  }
  text += '\n';
  return {"zTXt", "Raw profile type " + name + std::string(2, '\0') + deflated(text)};
}

}  // namespace trunnion
