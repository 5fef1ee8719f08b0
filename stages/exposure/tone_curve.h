// How the values of a file follow from light: light = curve(value), both 0 to 1, full scale is 1.
//
// sRGB (IEC 61966-2-1): light = value / 12.92 up to 0.04045, else ((value + 0.055) / 1.055)^2.4.
// A colour profile holds its own curve (ICC.1, curveType and parametricCurveType), a PNG may say
// sRGB or an exponent (W3C PNG, sRGB and gAMA). The curve of green stands for all channels.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "config/settings.h"
#include "core/metadata.h"

namespace trunnion::exposure {

// Grows from 0 to 1; kept as a table of 65536 values, so that every code of a file is exact.
class ToneCurve {
 public:
  // `light_of` is scaled so that 1 becomes 1; throws std::invalid_argument where it does not grow.
  ToneCurve(std::string name, const std::function<double(double)>& light_of);
  [[nodiscard]] double light(double value) const;
  [[nodiscard]] double value(double light) const;
  // As a note names it: "sRGB", "linear", "exponent 2.2", "the profile's curve".
  [[nodiscard]] const std::string& name() const { return name_; }

 private:
  std::string name_;
  std::vector<double> light_;  // at value = i / 65535
  std::vector<double> value_;  // at light = (i / 65536)^2: dense where curves are steep
};

ToneCurve srgb_curve();
ToneCurve linear_curve();

struct FoundCurve {
  ToneCurve curve;
  bool assumed = false;  // the colour profile has no curve that can be read
};

// Of an image with these metadata. What says nothing of its curve is sRGB.
FoundCurve curve_of(const Metadata& metadata, ToneCurveChoice choice);

}  // namespace trunnion::exposure
