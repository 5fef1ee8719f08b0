#include "core/big_tiff.h"

#include <array>
#include <cstdint>
#include <fstream>
#include <optional>
#include <string_view>

#include "core/tiff_directory.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

constexpr std::uint64_t kMostEntries = 4096;
constexpr std::uint64_t kMostBytes = 256U << 20U;  // of one value: profiles and notes are far below

// Bytes of one value by its type, 1 (BYTE) to 13 (IFD), 16 to 18 (64-bit types); 0: unknown.
std::uint64_t size_of_type(std::uint64_t type) {
  constexpr std::array<std::uint64_t, 19> sizes{0, 1, 1, 2, 4, 8, 1, 1, 2, 4,
                                                8, 4, 8, 4, 0, 0, 8, 8, 8};
  return type < sizes.size() ? sizes[type] : 0;
}

// Strips and tiles: where they lie and how long they are.
bool places_pixels(std::uint64_t tag) {
  return tag == 273 || tag == 279 || tag == 324 || tag == 325;
}

class BigTiffReader {
 public:
  explicit BigTiffReader(const fs::path& file)
      : stream_(file, std::ios::binary), size_(fs::file_size(file)) {
    std::array<char, 16> head{};
    stream_.read(head.data(), head.size());
    little_ = head[0] == 'I';
    first_ = number(head.data() + 8, 8);
  }

  BigTiffMetadata read() {
    TiffDirectories all;
    all.image = directory(first_);
    if (exif_ != 0) all.exif = directory(exif_);
    if (gps_ != 0) all.gps = directory(gps_);
    if (interop_ != 0) all.interop = directory(interop_);
    return {tiff_of(all, little_), previews_, complete_};
  }

 private:
  [[nodiscard]] std::uint64_t number(const char* at, int bytes) const {
    std::uint64_t value = 0;
    for (int i = 0; i < bytes; ++i) {
      value = (value << 8U) | static_cast<unsigned char>(at[little_ ? bytes - 1 - i : i]);
    }
    return value;
  }

  bool read_at(std::uint64_t offset, char* to, std::uint64_t bytes) {
    if (offset > size_ || bytes > size_ - offset) return false;
    stream_.clear();
    stream_.seekg(static_cast<std::streamoff>(offset));
    return static_cast<bool>(stream_.read(to, static_cast<std::streamsize>(bytes)));
  }

  // The bytes of an entry's values; nothing where they lie outside of the file.
  std::optional<std::string> values(const char* entry, std::uint64_t bytes) {
    if (bytes <= 8) return std::string(entry + 12, bytes);
    if (bytes > kMostBytes) return std::nullopt;
    const std::uint64_t offset = number(entry + 12, 8);
    if (offset > size_ || bytes > size_ - offset) return std::nullopt;
    std::string all(bytes, '\0');
    if (!read_at(offset, all.data(), bytes)) return std::nullopt;
    return all;
  }

  std::vector<TiffEntry> directory(std::uint64_t offset) {
    std::vector<TiffEntry> entries;
    std::array<char, 20> entry{};
    complete_ = complete_ && read_at(offset, entry.data(), 8);
    if (!complete_) return entries;
    const std::uint64_t count = number(entry.data(), 8);
    complete_ = count <= kMostEntries;
    for (std::uint64_t i = 0; complete_ && i < count; ++i) {
      complete_ = read_at(offset + 8 + 20 * i, entry.data(), entry.size());
      if (complete_) add(entries, entry.data());
    }
    return entries;
  }

  void add(std::vector<TiffEntry>& entries, const char* entry) {
    const std::uint64_t tag = number(entry, 2);
    const std::uint64_t type = number(entry + 2, 2);
    const std::uint64_t count = number(entry + 4, 8);
    const std::uint64_t unit = size_of_type(type);
    if (tag == 330) previews_ = true;
    if (tag == 0x8769) exif_ = pointer(entry, unit);
    if (tag == 0x8825) gps_ = pointer(entry, unit);
    if (tag == 0xA005) interop_ = pointer(entry, unit);
    const bool is_pointer = tag == 330 || tag == 0x8769 || tag == 0x8825 || tag == 0xA005;
    if (is_pointer || places_pixels(tag)) return;
    if (unit == 0 || type > 13 || count > kMostBytes) {
      complete_ = false;  // 64-bit values have no classic form; no tag of metadata uses them
      return;
    }
    auto bytes = values(entry, count * unit);
    complete_ = complete_ && bytes.has_value();
    if (!bytes) return;
    entries.push_back({static_cast<std::uint16_t>(tag), static_cast<std::uint16_t>(type),
                       static_cast<std::uint32_t>(count), std::move(*bytes)});
  }

  [[nodiscard]] std::uint64_t pointer(const char* entry, std::uint64_t unit) const {
    return number(entry + 12, unit == 8 ? 8 : 4);
  }

  std::ifstream stream_;
  std::uint64_t size_ = 0;
  bool little_ = true;
  std::uint64_t first_ = 0;
  std::uint64_t exif_ = 0;
  std::uint64_t gps_ = 0;
  std::uint64_t interop_ = 0;
  bool previews_ = false;
  bool complete_ = true;
};

}  // namespace

bool is_big_tiff(const fs::path& file) {
  std::ifstream stream(file, std::ios::binary);
  std::array<char, 4> head{};
  stream.read(head.data(), head.size());
  const std::string_view magic(head.data(), head.size());
  return magic == std::string_view("II+\0", 4) || magic == std::string_view("MM\0+", 4);
}

BigTiffMetadata big_tiff_metadata(const fs::path& file) {
  return BigTiffReader(file).read();
}

}  // namespace trunnion
