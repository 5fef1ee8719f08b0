// Values to bytes and back for the journal: one list of fields serves both directions, since an
// archive either appends or extracts. The bytes are of this machine's order; they never leave it.
// A struct is listed field by field: between its fields may lie bytes of no value, and equal values
// must give equal bytes.
#pragma once

#include <array>
#include <cstdint>
#include <cstring>
#include <opencv2/core.hpp>
#include <string>
#include <string_view>
#include <type_traits>
#include <vector>

#include "core/finding.h"
#include "pipeline/journal.h"

namespace trunnion {

template <typename T>
concept Scalar = std::is_arithmetic_v<T> || std::is_enum_v<T>;

class ArchiveWriter {
 public:
  template <Scalar T>
  void operator()(T& value) {
    bytes.append(reinterpret_cast<const char*>(&value), sizeof(T));
  }
  template <Scalar T, std::size_t N>
  void operator()(std::array<T, N>& values) {
    for (T& value : values) (*this)(value);
  }
  void operator()(std::string& text) {
    std::uint64_t size = text.size();
    (*this)(size);
    bytes.append(text);
  }
  void operator()(cv::Mat& image) {
    std::array<int, 3> shape{image.rows, image.cols, image.empty() ? 0 : image.type()};
    (*this)(shape);
    for (int y = 0; y < image.rows; ++y) {
      bytes.append(image.ptr<char>(y), static_cast<std::size_t>(image.cols) * image.elemSize());
    }
  }
  template <typename T, typename Item>
  void list(std::vector<T>& values, Item item) {
    std::uint64_t size = values.size();
    (*this)(size);
    for (T& value : values) item(*this, value);
  }
  std::string bytes;
};

class ArchiveReader {
 public:
  explicit ArchiveReader(std::string_view bytes) : rest(bytes) {}
  template <Scalar T>
  void operator()(T& value) {
    std::memcpy(&value, take(sizeof(T)).data(), sizeof(T));
  }
  template <Scalar T, std::size_t N>
  void operator()(std::array<T, N>& values) {
    for (T& value : values) (*this)(value);
  }
  void operator()(std::string& text) {
    std::uint64_t size = 0;
    (*this)(size);
    text = take(size);
  }
  void operator()(cv::Mat& image) {
    std::array<int, 3> shape{};
    (*this)(shape);
    const auto [rows, columns, type] = shape;
    if (rows < 0 || columns < 0 || rows > 1'000'000 || columns > 1'000'000) damaged();
    if (rows == 0 || columns == 0) {
      image.release();
      return;
    }
    const std::size_t row_bytes =
        static_cast<std::size_t>(columns) * static_cast<std::size_t>(CV_ELEM_SIZE(type));
    if (row_bytes * static_cast<std::size_t>(rows) > rest.size()) damaged();
    image.create(rows, columns, type);
    for (int y = 0; y < rows; ++y) std::memcpy(image.ptr(y), take(row_bytes).data(), row_bytes);
  }
  template <typename T, typename Item>
  void list(std::vector<T>& values, Item item) {
    std::uint64_t size = 0;
    (*this)(size);
    if (size > rest.size()) damaged();
    values.resize(size);
    for (T& value : values) item(*this, value);
  }

 private:
  [[noreturn]] static void damaged() { throw JournalDamaged(".trunnion/journal.sqlite"); }
  std::string_view take(std::size_t size) {
    if (size > rest.size()) damaged();
    const std::string_view taken = rest.substr(0, size);
    rest.remove_prefix(size);
    return taken;
  }
  std::string_view rest;
};

template <typename Archive>
void archive_findings(Archive& archive, Findings& findings) {
  archive.list(findings, [](auto& a, Finding& finding) {
    a(finding.severity);
    a(finding.stage);
    a(finding.file);
    a(finding.what);
    a(finding.remedy);
  });
}

// `fields(archive, value)` lists the fields of a value, for both directions.
template <typename T, typename Fields>
std::string to_archive(T value, Fields fields) {
  ArchiveWriter writer;
  fields(writer, value);  // a copy whose cv::Mats share pixels; nothing is written through them
  return writer.bytes;
}

template <typename T, typename Fields>
T from_archive(std::string_view bytes, Fields fields) {
  ArchiveReader reader(bytes);
  T value;
  fields(reader, value);
  return value;
}

inline std::string findings_to_bytes(const Findings& findings) {
  return to_archive(findings, [](auto& a, Findings& value) { archive_findings(a, value); });
}

inline Findings findings_from_bytes(std::string_view bytes) {
  return from_archive<Findings>(bytes,
                                [](auto& a, Findings& value) { archive_findings(a, value); });
}

}  // namespace trunnion
