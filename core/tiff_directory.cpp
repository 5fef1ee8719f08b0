#include "core/tiff_directory.h"

#include <fmt/format.h>

#include <array>
#include <fstream>
#include <map>

#include "core/error.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

constexpr std::uint16_t kExifIfd = 0x8769;
constexpr std::uint16_t kGpsIfd = 0x8825;
constexpr std::uint16_t kInteropIfd = 0xA005;
constexpr std::uint16_t kTypeLong = 4;

Error broken(const fs::path& file, std::string_view what) {
  return data_error(fmt::format("{}: {}; prepare the image again.", file.string(), what));
}

class Order {
 public:
  explicit Order(bool little) : little_(little) {}
  [[nodiscard]] std::uint32_t get(const char* at, int bytes) const {
    std::uint32_t value = 0;
    for (int i = 0; i < bytes; ++i) {
      const int from = little_ ? bytes - 1 - i : i;
      value = (value << 8U) | static_cast<unsigned char>(at[from]);
    }
    return value;
  }
  [[nodiscard]] std::string put(std::uint32_t value, int bytes) const {
    std::string text(static_cast<std::size_t>(bytes), '\0');
    for (int i = 0; i < bytes; ++i) {
      const int to = little_ ? i : bytes - 1 - i;
      text[static_cast<std::size_t>(to)] = static_cast<char>(value & 0xFFU);
      value >>= 8U;
    }
    return text;
  }

 private:
  bool little_;
};

// The 12 bytes of an entry without its tag: type, count, value or offset.
using RawDirectory = std::map<std::uint16_t, std::string>;

RawDirectory read_first_directory(std::istream& stream, const Order& order, const fs::path& file) {
  std::array<char, 12> entry{};
  stream.seekg(4);
  stream.read(entry.data(), 4);
  stream.seekg(order.get(entry.data(), 4));
  stream.read(entry.data(), 2);
  const std::uint32_t count = order.get(entry.data(), 2);
  RawDirectory directory;
  for (std::uint32_t i = 0; i < count && stream; ++i) {
    stream.read(entry.data(), 12);
    directory[static_cast<std::uint16_t>(order.get(entry.data(), 2))] =
        std::string(entry.data() + 2, 10);
  }
  if (!stream || count == 0) throw broken(file, "its TIFF directory is unreadable");
  return directory;
}

// What will stand behind the end of the file.
class Tail {
 public:
  Tail(const Order& order, std::uint64_t start) : order_(order), start_(start) {
    if (start_ % 2 != 0) bytes_.push_back('\0');  // values start on word boundaries (TIFF 6.0)
  }
  void add(RawDirectory& directory, const TiffEntry& entry) {
    std::string raw = order_.put(entry.type, 2) + order_.put(entry.count, 4);
    if (entry.bytes.size() <= 4) {
      raw += entry.bytes + std::string(4 - entry.bytes.size(), '\0');
    } else {
      raw += order_.put(here(), 4);
      append(entry.bytes);
    }
    directory[entry.tag] = raw;
  }
  std::uint32_t add_directory(const RawDirectory& directory) {
    const std::uint32_t offset = here();
    std::string text = order_.put(static_cast<std::uint32_t>(directory.size()), 2);
    for (const auto& [tag, raw] : directory) text += order_.put(tag, 2) + raw;
    append(text + order_.put(0, 4));  // no further directory
    return offset;
  }
  // Writes a sub-directory and its pointer; nothing where there are no entries.
  void add_sub_directory(RawDirectory& parent, std::uint16_t pointer, RawDirectory& child) {
    parent.erase(pointer);
    if (child.empty()) return;
    add(parent, {pointer, kTypeLong, 1, order_.put(add_directory(child), 4)});
  }
  [[nodiscard]] const std::string& bytes() const { return bytes_; }
  [[nodiscard]] std::uint64_t end() const { return start_ + bytes_.size(); }

 private:
  [[nodiscard]] std::uint32_t here() const {
    return static_cast<std::uint32_t>(start_ + bytes_.size());
  }
  void append(const std::string& text) {
    bytes_ += text;
    if (bytes_.size() % 2 != start_ % 2) bytes_.push_back('\0');
  }
  Order order_;
  std::uint64_t start_;
  std::string bytes_;
};

// All sub-directories and the first one; returns where that lies.
std::uint32_t add_all(Tail& tail, RawDirectory& image, const TiffDirectories& directories) {
  RawDirectory interop;
  RawDirectory exif;
  RawDirectory gps;
  for (const TiffEntry& entry : directories.interop) tail.add(interop, entry);
  for (const TiffEntry& entry : directories.exif) tail.add(exif, entry);
  tail.add_sub_directory(exif, kInteropIfd, interop);
  for (const TiffEntry& entry : directories.gps) tail.add(gps, entry);
  tail.add_sub_directory(image, kExifIfd, exif);
  tail.add_sub_directory(image, kGpsIfd, gps);
  for (const TiffEntry& entry : directories.image) tail.add(image, entry);
  return tail.add_directory(image);
}

}  // namespace

bool tiff_is_little_endian(const fs::path& file) {
  std::ifstream stream(file, std::ios::binary);
  std::array<char, 4> head{};
  stream.read(head.data(), head.size());
  const std::string_view magic(head.data(), 4);
  if (magic == std::string_view("II*\0", 4)) return true;
  if (magic == std::string_view("MM\0*", 4)) return false;
  throw broken(file, "is not a classic TIFF");
}

void append_tiff_directories(const fs::path& file, const TiffDirectories& directories) {
  const Order order(tiff_is_little_endian(file));
  std::fstream stream(file, std::ios::binary | std::ios::in | std::ios::out);
  RawDirectory image = read_first_directory(stream, order, file);
  stream.seekp(0, std::ios::end);
  Tail tail(order, static_cast<std::uint64_t>(stream.tellp()));
  const std::uint32_t first = add_all(tail, image, directories);
  if (tail.end() > 0xFFFFFFFFULL) {
    throw data_error(
        fmt::format("{}: grows over 4 GB with its metadata, which TIFF cannot store; choose "
                    "compress = true or a smaller size.",
                    file.string()));
  }
  stream.write(tail.bytes().data(), static_cast<std::streamsize>(tail.bytes().size()));
  stream.flush();
  stream.seekp(4);
  const std::string pointer = order.put(first, 4);
  stream.write(pointer.data(), 4);
  stream.close();
  if (!stream) {
    throw output_error(
        fmt::format("{}: writing the metadata failed; check the space on the disk "
                    "and run again.",
                    file.string()));
  }
}

std::string tiff_of(const TiffDirectories& directories, bool little_endian) {
  const Order order(little_endian);
  RawDirectory image;
  constexpr std::uint64_t kHeader = 8;
  Tail tail(order, kHeader);
  const std::uint32_t first = add_all(tail, image, directories);
  return (little_endian ? "II" : "MM") + order.put(42, 2) + order.put(first, 4) + tail.bytes();
}

}  // namespace trunnion
