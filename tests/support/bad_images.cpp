#include "tests/support/bad_images.h"

#include <algorithm>
#include <array>
#include <cstdint>
#include <opencv2/imgcodecs.hpp>

#include "core/files.h"
#include "core/image_io.h"
#include "tests/support/open_data.h"

namespace trunnion::test {
namespace {

void put(std::string& bytes, std::uint64_t value, int size) {
  for (int i = 0; i < size; ++i) bytes += static_cast<char>(value >> (8 * i) & 0xFFU);
}

void put_big_endian(std::string& bytes, std::uint64_t value, int size) {
  for (int i = size - 1; i >= 0; --i) bytes += static_cast<char>(value >> (8 * i) & 0xFFU);
}

// A little-endian TIFF of one directory whose values all fit into their entries. TIFF 6.0, section
// 2; BigTIFF has 8-byte offsets and counts.
struct TiffMaker {
  struct Entry {
    std::uint16_t tag;
    std::uint16_t type;  // 3 SHORT, 4 LONG, 16 LONG8
    std::uint64_t count;
    std::uint64_t value;
  };
  std::vector<Entry> entries;
  std::string pixels;
  bool big = false;
  std::uint64_t next_directory = 0;

  TiffMaker(std::uint32_t width, std::uint32_t height, std::uint16_t samples, std::uint16_t bits)
      : pixels(std::size_t{std::min(width, 4096U)} * std::min(height, 64U) * samples * bits / 8,
               '\x40') {
    set(256, 4, width);
    set(257, 4, height);
    set(258, 3, bits);
    set(259, 3, 1);                       // no compression
    set(262, 3, samples >= 3 ? 2U : 1U);  // RGB, or black is zero
    set(273, 4, 8);                       // strip right after the header; see bytes()
    set(277, 3, samples);
    set(278, 4, height);
    set(279, 4, pixels.size());
    set(284, 3, 1);
  }
  void set(std::uint16_t tag, std::uint16_t type, std::uint64_t value, std::uint64_t count = 1) {
    drop(tag);
    entries.push_back({tag, type, count, value});
    std::sort(entries.begin(), entries.end(),
              [](const Entry& a, const Entry& b) { return a.tag < b.tag; });
  }
  void drop(std::uint16_t tag) {
    std::erase_if(entries, [tag](const Entry& entry) { return entry.tag == tag; });
  }
  [[nodiscard]] std::string bytes() const {
    const int word = big ? 8 : 4;
    std::string all = "II";
    put(all, big ? 43 : 42, 2);
    if (big) put(all, 8, 4);  // size of offsets, then zero
    put(all, (big ? 16U : 8U) + pixels.size(), word);
    all += pixels;
    put(all, entries.size(), big ? 8 : 2);
    for (Entry entry : entries) {
      if (big && entry.tag == 273 && entry.value == 8) entry.value = 16;
      put(all, entry.tag, 2);
      put(all, entry.type, 2);
      put(all, entry.count, word);
      put(all, entry.value, word);
    }
    put(all, next_directory, word);
    return all;
  }
};

cv::Mat picture(int width, int height, int type) {
  cv::Mat image(height, width, type);
  cv::RNG random(7);
  random.fill(image, cv::RNG::UNIFORM, 0, image.depth() == CV_16U ? 65535 : 255);
  return image;
}

std::string written(const cv::Mat& image, FileType type, bool compress) {
  const TemporaryFolder folder;
  const auto file = folder.path() / (std::string("a") + extension_of(type));
  write_image(file, image, {.type = type, .compress = compress});
  return read_file(file);
}

void add_tiffs(std::vector<BadImage>& all, int width, int height) {
  const auto w = static_cast<std::uint32_t>(width);
  const auto h = static_cast<std::uint32_t>(height);
  const auto add = [&](const std::string& name, const std::string& bytes) {
    all.push_back({"tiff_" + name, ".tif", bytes});
  };
  for (const bool compress : {false, true}) {
    const std::string whole = written(picture(width, height, CV_16UC3), FileType::tiff, compress);
    const std::string kind = compress ? "deflate" : "plain";
    for (const int percent : {5, 50, 95}) {
      add("cut_" + kind + "_" + std::to_string(percent),
          whole.substr(0, whole.size() * static_cast<std::size_t>(percent) / 100));
    }
    if (!compress) continue;
    std::string corrupt = whole;
    for (std::size_t i = corrupt.size() / 3; i < corrupt.size() * 2 / 3; ++i) corrupt[i] ^= 0x5A;
    add("corrupt_deflate", corrupt);
  }
  add("empty", "");
  add("four_bytes", std::string("II*\0", 4));
  add("directory_beyond_end", std::string("II*\0\xF0\xFF\xFF\x7F", 8));
  add("big_directory_beyond_end",
      std::string("II+\0\x08\0\0\0\xF0\xFF\xFF\xFF\xFF\xFF\xFF\x7F", 16));
  add("text", "this is a letter, whatever its name says\n");
  add("html", "<html><body>Not found</body></html>");
  const auto variant = [&](const std::string& name, std::uint16_t samples, std::uint16_t bits,
                           const auto& change) {
    TiffMaker tiff(w, h, samples, bits);
    change(tiff);
    add(name, tiff.bytes());
  };
  variant("cmyk", 4, 8, [](TiffMaker& t) { t.set(262, 3, 5); });
  variant("lab", 3, 8, [](TiffMaker& t) { t.set(262, 3, 8); });
  variant("white_is_zero", 1, 8, [](TiffMaker& t) { t.set(262, 3, 0); });
  variant("float", 3, 32, [](TiffMaker& t) { t.set(339, 3, 3); });
  variant("signed", 1, 16, [](TiffMaker& t) { t.set(339, 3, 2); });
  variant("thirty_two_bits", 3, 32, [](TiffMaker&) {});
  variant("twelve_bits", 1, 12, [](TiffMaker&) {});
  variant("one_bit", 1, 1, [](TiffMaker&) {});
  variant("two_channels", 2, 8, [](TiffMaker&) {});
  variant("five_channels", 5, 8, [](TiffMaker&) {});
  variant("thousands_of_channels", 3, 8, [](TiffMaker& t) { t.set(277, 3, 60000); });
  variant("no_channels", 3, 8, [](TiffMaker& t) { t.set(277, 3, 0); });
  variant("palette_without_map", 1, 8, [](TiffMaker& t) { t.set(262, 3, 3); });
  variant("zero_width", 3, 16, [](TiffMaker& t) { t.set(256, 4, 0); });
  variant("zero_height", 3, 16, [](TiffMaker& t) { t.set(257, 4, 0); });
  variant("no_width", 3, 16, [](TiffMaker& t) { t.drop(256); });
  variant("bomb", 3, 16, [](TiffMaker& t) {
    t.set(256, 4, 200000);
    t.set(257, 4, 200000);
  });
  variant("largest_sides", 3, 16, [](TiffMaker& t) {
    t.set(256, 4, 0xFFFFFFFF);
    t.set(257, 4, 0xFFFFFFFF);
  });
  variant("no_strips", 3, 16, [](TiffMaker& t) {
    t.drop(273);
    t.drop(279);
  });
  variant("strip_beyond_end", 3, 16, [](TiffMaker& t) { t.set(273, 4, 0x7FFFFFF0); });
  variant("strip_count_beyond_end", 3, 16, [](TiffMaker& t) { t.set(279, 4, 4, 1'000'000); });
  variant("unknown_compression", 3, 16, [](TiffMaker& t) { t.set(259, 3, 60123); });
  variant("jpeg_compression_of_noise", 3, 16, [](TiffMaker& t) { t.set(259, 3, 7); });
  variant("lzw_of_noise", 3, 16, [](TiffMaker& t) { t.set(259, 3, 5); });
  variant("endless_pages", 3, 16, [](TiffMaker& t) { t.next_directory = 8 + t.pixels.size(); });
  variant("count_of_entries_huge", 3, 16, [](TiffMaker& t) { t.set(258, 3, 8, 0xFFFFFFFF); });
  variant("big_strip_larger_than_memory", 3, 16, [](TiffMaker& t) {
    t.big = true;
    t.set(279, 16, std::uint64_t{1} << 44U);
    t.set(257, 4, 4'000'000'000);
  });
  variant("big_cut", 3, 16, [](TiffMaker& t) {
    t.big = true;
    t.set(273, 16, 1U << 30U);
  });
  variant("one_strip_larger_than_memory", 1, 8, [](TiffMaker& t) {
    t.set(256, 4, 60000);
    t.set(257, 4, 60000);
    t.set(279, 4, 3'600'000'000);
  });
  variant("tiles_without_size", 3, 16, [](TiffMaker& t) { t.set(324, 4, 8); });
}

// PNG chunk: length, type, data, CRC-32 of type and data (ISO/IEC 15948, 5.3).
std::string png_chunk(const std::string& type, const std::string& data) {
  std::string chunk;
  put_big_endian(chunk, data.size(), 4);
  std::uint32_t crc = 0xFFFFFFFFU;
  for (const char c : type + data) {
    crc ^= static_cast<unsigned char>(c);
    for (int k = 0; k < 8; ++k) crc = (crc & 1U) != 0U ? 0xEDB88320U ^ (crc >> 1U) : crc >> 1U;
  }
  chunk += type + data;
  put_big_endian(chunk, crc ^ 0xFFFFFFFFU, 4);
  return chunk;
}

std::string png_header(std::uint64_t width, std::uint64_t height, int bits, int colour) {
  std::string data;
  put_big_endian(data, width, 4);
  put_big_endian(data, height, 4);
  data += static_cast<char>(bits);
  data += static_cast<char>(colour);
  data += std::string(3, '\0');
  return "\x89PNG\r\n\x1A\n" + png_chunk("IHDR", data);
}

void add_pngs(std::vector<BadImage>& all, int width, int height) {
  const auto w = static_cast<std::uint64_t>(width);
  const auto h = static_cast<std::uint64_t>(height);
  const auto add = [&](const std::string& name, const std::string& bytes) {
    all.push_back({"png_" + name, ".png", bytes});
  };
  const std::string end = png_chunk("IEND", "");
  const std::string whole = written(picture(width, height, CV_16UC3), FileType::png, true);
  for (const int percent : {5, 50, 95}) {
    add("cut_" + std::to_string(percent),
        whole.substr(0, whole.size() * static_cast<std::size_t>(percent) / 100));
  }
  add("without_end", whole.substr(0, whole.size() - end.size()));
  std::string corrupt = whole;
  corrupt[whole.size() / 2] ^= 0x5A;
  add("corrupt_pixels", corrupt);
  corrupt = whole;
  corrupt[20] ^= 0x01;
  add("corrupt_header", corrupt);
  add("empty", "");
  add("signature_only", whole.substr(0, 8));
  add("header_only", whole.substr(0, 33));
  add("no_pixels", png_header(w, h, 16, 2) + end);
  add("bomb", png_header(2'000'000'000, 2'000'000'000, 16, 6) + end);
  add("zero_width", png_header(0, h, 8, 2) + end);
  add("palette_without_map", png_header(w, h, 8, 3) + png_chunk("IDAT", "xx") + end);
  add("one_bit", png_header(w, h, 1, 0) + png_chunk("IDAT", "xx") + end);
  add("unknown_colour", png_header(w, h, 8, 5) + png_chunk("IDAT", "xx") + end);
  add("seven_bits", png_header(w, h, 7, 2) + png_chunk("IDAT", "xx") + end);
  std::string endless = whole.substr(0, 33);
  put_big_endian(endless, 0x7FFFFFFFU, 4);
  add("chunk_longer_than_file", endless + "IDATxx");
}

void add_jpegs(std::vector<BadImage>& all, int width, int height) {
  const auto add = [&](const std::string& name, const std::string& bytes) {
    all.push_back({"jpeg_" + name, ".jpg", bytes});
  };
  const std::string whole = written(picture(width, height, CV_8UC3), FileType::jpeg, true);
  for (const int percent : {5, 50, 95}) {
    add("cut_" + std::to_string(percent),
        whole.substr(0, whole.size() * static_cast<std::size_t>(percent) / 100));
  }
  add("without_end", whole.substr(0, whole.size() - 2));
  add("empty", "");
  add("start_only", "\xFF\xD8");
  add("noise", "\xFF\xD8\xFF\xE0" + std::string(5000, '\x55'));
  const std::size_t frame = whole.find("\xFF\xC0");
  const auto changed = [&](std::size_t offset, char value) {
    std::string bytes = whole;
    if (frame != std::string::npos) bytes[frame + offset] = value;
    return bytes;
  };
  add("zero_height", [&] {
    std::string bytes = changed(5, '\0');
    bytes[frame + 6] = '\0';
    return bytes;
  }());
  add("twelve_bits", changed(4, '\x0C'));
  add("two_channels", changed(9, '\x02'));
  add("larger_than_its_pixels", changed(5, '\x7F'));
  // T.81, table B.1: 0xC3 is lossless, 0xC9 arithmetic coding.
  add("lossless_process", changed(1, '\xC3'));
}

}  // namespace

std::vector<BadImage> bad_images(int width, int height) {
  std::vector<BadImage> all;
  add_tiffs(all, width, height);
  add_pngs(all, width, height);
  add_jpegs(all, width, height);
  const std::string png = written(picture(width, height, CV_8UC3), FileType::png, true);
  const std::string jpeg = written(picture(width, height, CV_8UC3), FileType::jpeg, true);
  all.push_back({"png_called_tiff", ".tif", png});
  all.push_back({"png_called_jpeg", ".jpg", png});
  all.push_back({"jpeg_called_png", ".png", jpeg});
  all.push_back({"gif_called_png", ".png", "GIF89a\x01" + std::string(20, '\0')});
  all.push_back({"bitmap_called_jpeg", ".jpg", "BM" + std::string(60, '\x10')});
  return all;
}

}  // namespace trunnion::test
