#include "config/toml_writer.h"

#include <fmt/format.h>

#include <array>
#include <iterator>

namespace trunnion {

std::string toml_text(std::string_view text) {
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') {
      quoted += '\\';
      quoted += c;
    } else if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) {
      quoted += fmt::format("\\u{:04X}", static_cast<unsigned>(c));
    } else {
      quoted += c;
    }
  }
  return quoted + '"';
}

// Numbers in their shortest form: TOML distinguishes 1 and 1.0, our reader does not.
std::string setup_toml(const Setup& setup) {
  constexpr std::array kReferences{"first", "middle", "last"};
  const bool objective = setup.kind == LensKind::objective;
  std::string text = fmt::format("title = {}\n", toml_text(setup.title));
  auto out = std::back_inserter(text);
  const auto number = [&](const char* key, double value) {
    fmt::format_to(out, "{} = {}\n", key, value);
  };
  if (setup.working_distance_mm) number("working_distance_mm", *setup.working_distance_mm);
  fmt::format_to(out, "\n[body]\ntext = {}\nwidth_px = {}\nheight_px = {}\n",
                 toml_text(setup.body_text), setup.width_px, setup.height_px);
  number("pixel_pitch_um", setup.pixel_pitch_um);
  fmt::format_to(out, "\n[lens]\nkind = \"{}\"\ntext = {}\n",
                 objective ? "objective" : "photographic", toml_text(setup.lens_text));
  if (!setup.lens_serial.empty()) {
    fmt::format_to(out, "serial = {}\n", toml_text(setup.lens_serial));
  }
  number("focal_length_mm", setup.focal_length_mm);
  number("magnification", setup.magnification);
  if (objective) {
    number("numerical_aperture", setup.numerical_aperture);
    number("tube_focal_length_mm", setup.tube_focal_length_mm);
  }
  if (setup.f_number > 0) number("f_number", setup.f_number);
  if (setup.extension_mm > 0) number("extension_mm", setup.extension_mm);
  if (setup.converter != 1.0) number("converter", setup.converter);
  if (setup.pupil_magnification != 1.0) number("pupil_magnification", setup.pupil_magnification);
  fmt::format_to(out, "\n[fusion]\nmoves = \"{}\"\nrescaled = {}\nreference = \"{}\"\n",
                 setup.moves == FocusMotion::rail ? "rail" : "lens", setup.rescaled,
                 kReferences.at(static_cast<std::size_t>(setup.reference)));
  return text;
}

}  // namespace trunnion
