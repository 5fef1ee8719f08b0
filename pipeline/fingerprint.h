// Fingerprint: a hash of everything a step depends on, built field by field. Two steps with equal
// fingerprints have equal results.
#pragma once

#include <Eigen/Core>
#include <bit>
#include <cstdint>
#include <string>
#include <string_view>
#include <type_traits>

#include "core/hash.h"

namespace trunnion {

class Fingerprint {
 public:
  // The program's own content and the purpose keep results of other builds and stages apart:
  // another build may store a result otherwise, or find another.
  explicit Fingerprint(std::string_view purpose) {
    static const std::string program = hash_file("/proc/self/exe");
    add(program).add(purpose);
  }

  Fingerprint& add(std::string_view text) {
    add_raw(text.size());
    bytes_.append(text);
    return *this;
  }
  Fingerprint& add(const std::string& text) { return add(std::string_view(text)); }
  Fingerprint& add(const char* text) { return add(std::string_view(text)); }
  template <typename Number>
  requires std::is_arithmetic_v<Number> || std::is_enum_v<Number> Fingerprint& add(Number value) {
    if constexpr (std::is_floating_point_v<Number>) {
      add_raw(std::bit_cast<std::uint64_t>(static_cast<double>(value)));
    } else {
      add_raw(static_cast<std::uint64_t>(value));
    }
    return *this;
  }
  template <typename Derived>
  Fingerprint& add(const Eigen::MatrixBase<Derived>& matrix) {
    for (Eigen::Index i = 0; i < matrix.rows(); ++i) {
      for (Eigen::Index j = 0; j < matrix.cols(); ++j) add(static_cast<double>(matrix(i, j)));
    }
    return *this;
  }
  [[nodiscard]] std::string hash() const { return hash_bytes(bytes_); }

 private:
  void add_raw(std::uint64_t value) {
    for (int shift = 0; shift < 64; shift += 8) {
      bytes_.push_back(static_cast<char>((value >> static_cast<unsigned>(shift)) & 0xFFU));
    }
  }
  std::string bytes_;
};

}  // namespace trunnion
