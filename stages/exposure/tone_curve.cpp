#include "stages/exposure/tone_curve.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <optional>
#include <stdexcept>
#include <string_view>
#include <utility>

namespace trunnion::exposure {
namespace {

constexpr std::size_t kCodes = 65536;
constexpr std::size_t kRoots = 65536;  // steps of the root of light

double between(const std::vector<double>& nodes, double at) {
  const double last = static_cast<double>(nodes.size() - 1);
  const double clamped = std::clamp(at, 0.0, last);
  const auto i = std::min(static_cast<std::size_t>(clamped), nodes.size() - 2);
  return std::lerp(nodes[i], nodes[i + 1], clamped - static_cast<double>(i));
}

double srgb_light(double value) {
  return value <= 0.04045 ? value / 12.92 : std::pow((value + 0.055) / 1.055, 2.4);
}

ToneCurve power_curve(double exponent) {
  return {fmt::format("exponent {:.4g}", exponent),
          [exponent](double value) { return std::pow(value, exponent); }};
}

// Big-endian numbers of a profile or chunk; nothing beyond its end.
class Bytes {
 public:
  explicit Bytes(std::string_view bytes) : bytes_(bytes) {}
  [[nodiscard]] std::optional<std::uint32_t> number(std::size_t at, std::size_t size) const {
    if (at > bytes_.size() || bytes_.size() - at < size) return std::nullopt;
    std::uint32_t value = 0;
    for (const char c : bytes_.substr(at, size)) value = value << 8U | static_cast<std::uint8_t>(c);
    return value;
  }
  [[nodiscard]] std::string_view text(std::size_t at, std::size_t size) const {
    return at > bytes_.size() ? std::string_view() : bytes_.substr(at, size);
  }

 private:
  std::string_view bytes_;
};

// ICC.1, 10.6: no entry is the identity, one an exponent in 1/256, more a table.
std::optional<ToneCurve> table_curve(const Bytes& tag) {
  const auto count = tag.number(8, 4);
  if (!count) return std::nullopt;
  if (*count == 0) return linear_curve();
  if (*count == 1) {
    const auto exponent = tag.number(12, 2);
    if (!exponent || *exponent == 0) return std::nullopt;
    return *exponent == 256 ? linear_curve() : power_curve(*exponent / 256.0);
  }
  std::vector<double> nodes;
  for (std::size_t i = 0; i < *count; ++i) {
    const auto entry = tag.number(12 + 2 * i, 2);
    if (!entry) return std::nullopt;
    nodes.push_back(*entry / 65535.0);
  }
  const double first = nodes.front();
  return ToneCurve("the profile's curve", [&](double value) {
    return between(nodes, value * static_cast<double>(nodes.size() - 1)) - first;
  });
}

// ICC.1, 10.18: functions 0 to 4 of g a b c d e f; those that lack a parameter have it 0 (a: 1).
std::optional<ToneCurve> parametric_curve(const Bytes& tag) {
  constexpr std::array<std::size_t, 5> kCounts{1, 3, 4, 5, 7};
  const auto kind = tag.number(8, 2);
  if (!kind || *kind > 4) return std::nullopt;
  std::array<double, 7> p{1, 1, 0, 0, 0, 0, 0};
  for (std::size_t i = 0; i < kCounts.at(*kind); ++i) {
    const auto raw = tag.number(12 + 4 * i, 4);
    if (!raw) return std::nullopt;
    p.at(i) = static_cast<std::int32_t>(*raw) / 65536.0;
  }
  const double g = p[0];
  const double a = p[1];
  const double b = p[2];
  const double c = p[3];
  if (*kind == 0) return g == 1.0 ? linear_curve() : power_curve(g);
  // Of functions 1 and 2 the straight part lies below -b/a, with the height c.
  const bool flat = *kind <= 2;
  const double from = flat ? (a == 0.0 ? 0.0 : -b / a) : p[4];
  const double lift = *kind == 2 ? c : p[5];
  const double slope = flat ? 0.0 : c;
  const double below = flat ? lift : p[6];
  const auto light = [=](double value) {
    return value >= from ? std::pow(std::max(0.0, a * value + b), g) + lift : slope * value + below;
  };
  const double zero = light(0.0);
  return ToneCurve("the profile's curve", [=](double value) { return light(value) - zero; });
}

std::optional<ToneCurve> profile_curve(const std::string& icc) {
  const Bytes profile(icc);
  const auto tags = profile.number(128, 4);
  for (const std::string_view wanted : {"gTRC", "kTRC"}) {
    for (std::size_t i = 0; tags && i < std::min<std::size_t>(*tags, 1000); ++i) {
      const std::size_t entry = 132 + 12 * i;
      if (profile.text(entry, 4) != wanted) continue;
      const auto offset = profile.number(entry + 4, 4);
      const auto size = profile.number(entry + 8, 4);
      if (!offset || !size) return std::nullopt;
      const Bytes tag(profile.text(*offset, *size));
      try {
        if (tag.text(0, 4) == "curv") return table_curve(tag);
        if (tag.text(0, 4) == "para") return parametric_curve(tag);
      } catch (const std::invalid_argument&) {
        return std::nullopt;  // it does not grow
      }
    }
  }
  return std::nullopt;
}

// The exponent in the file is that of the value, in 1/100000.
std::optional<ToneCurve> png_curve(const std::vector<PngChunk>& chunks) {
  std::optional<ToneCurve> found;
  for (const PngChunk& chunk : chunks) {
    if (chunk.type == "sRGB") return srgb_curve();
    const auto raw = Bytes(chunk.data).number(0, 4);
    if (chunk.type != "gAMA" || !raw || *raw < 10'000 || *raw > 1'000'000) continue;
    found = *raw == 100'000 ? linear_curve() : power_curve(100'000.0 / *raw);
  }
  return found;
}

}  // namespace

ToneCurve::ToneCurve(std::string name, const std::function<double(double)>& light_of)
    : name_(std::move(name)), light_(kCodes), value_(kRoots + 1) {
  const double most = light_of(1.0);
  bool grows = std::isfinite(most) && most > 0.0;
  for (std::size_t i = 0; i < kCodes && grows; ++i) {
    light_[i] = light_of(static_cast<double>(i) / (kCodes - 1)) / most;
    grows = std::isfinite(light_[i]) && light_[i] >= (i == 0 ? 0.0 : light_[i - 1]);
  }
  if (!grows) throw std::invalid_argument("The tone curve does not grow with the value.");
  std::size_t i = 0;
  for (std::size_t k = 0; k <= kRoots; ++k) {
    const double root = static_cast<double>(k) / kRoots;
    const double wanted = root * root;
    while (i + 2 < kCodes && light_[i + 1] < wanted) ++i;
    const double step = light_[i + 1] - light_[i];
    const double part = step > 0.0 ? std::clamp((wanted - light_[i]) / step, 0.0, 1.0) : 0.0;
    value_[k] = (static_cast<double>(i) + part) / (kCodes - 1);
  }
}

double ToneCurve::light(double value) const {
  return between(light_, value * (kCodes - 1));
}

double ToneCurve::value(double light) const {
  return between(value_, std::sqrt(std::max(0.0, light)) * kRoots);
}

ToneCurve srgb_curve() {
  return {"sRGB", srgb_light};
}

ToneCurve linear_curve() {
  return {"linear", [](double value) { return value; }};
}

FoundCurve curve_of(const Metadata& metadata, ToneCurveChoice choice) {
  if (choice == ToneCurveChoice::linear) return {linear_curve()};
  if (choice == ToneCurveChoice::srgb) return {srgb_curve()};
  if (!metadata.icc.empty()) {
    if (auto own = profile_curve(metadata.icc)) return {std::move(*own)};
    return {srgb_curve(), true};
  }
  if (auto own = png_curve(metadata.png)) return {std::move(*own)};
  return {srgb_curve()};
}

}  // namespace trunnion::exposure
