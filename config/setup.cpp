#include "config/setup.h"

#include "config/toml_reader.h"
#include "core/error.h"

namespace trunnion {
namespace {

constexpr int kSetupFormat = 1;  // raised where a reader of the version before would go wrong

Setup setup_from(TomlReader& file, const std::string& name) {
  file.check_format(kSetupFormat);
  Setup setup;
  setup.name = std::filesystem::path(name).stem().string();
  setup.title = file.text("title", setup.name);
  setup.working_distance_mm = file.optional_number("working_distance_mm", kPositive);

  TomlReader body = file.table("body");
  setup.body_text = body.text("text", "");
  setup.width_px = body.integer("width_px", 16, 200'000);
  setup.height_px = body.integer("height_px", 16, 200'000);
  setup.pixel_pitch_um = body.number("pixel_pitch_um", {.min = 0.1, .max = 100.0});

  TomlReader lens = file.table("lens");
  setup.kind = static_cast<LensKind>(lens.choice("kind", {"photographic", "objective"}, 0));
  setup.lens_text = lens.text("text", "");
  setup.lens_serial = lens.text("serial", "");
  setup.magnification = lens.number("magnification", {.min = 0.0, .max = 200.0});
  setup.extension_mm = lens.number("extension_mm", {.min = 0.0, .max = 5000.0}, 0.0);
  setup.converter = lens.number("converter", {.min = 0.1, .max = 10.0}, 1.0);
  setup.pupil_magnification = lens.number("pupil_magnification", {.min = 0.05, .max = 20.0}, 1.0);
  if (setup.kind == LensKind::photographic) {
    setup.focal_length_mm = lens.number("focal_length_mm", {.min = 1.0, .max = 5000.0});
    setup.f_number = lens.number("f_number", {.min = 0.5, .max = 128.0});
    for (const char* key : {"numerical_aperture", "tube_focal_length_mm"}) {
      if (lens.optional_number(key)) {
        lens.mistake(key, "belongs to kind = \"objective\"; remove it or change the kind.");
      }
    }
  } else {
    setup.numerical_aperture = lens.number("numerical_aperture", {.min = 0.005, .max = 1.6});
    setup.tube_focal_length_mm =
        lens.number("tube_focal_length_mm", {.min = 20.0, .max = 1000.0}, 200.0);
    setup.focal_length_mm = lens.number(
        "focal_length_mm", {.min = 0.5, .max = 500.0},
        setup.tube_focal_length_mm / (setup.magnification > 0 ? setup.magnification : 1.0));
    setup.f_number = lens.number("f_number", {.min = 0.0, .max = 128.0}, 0.0);
  }

  if (setup.magnification == 0.0 && setup.extension_mm == 0.0 && lens.has("magnification")) {
    lens.mistake("magnification", "is 0 and there is no extension_mm; give the mark or both.");
  }

  TomlReader fusion = file.table("fusion");
  setup.moves = static_cast<FocusMotion>(fusion.choice("moves", {"rail", "lens"}, 0));
  setup.rescaled = fusion.boolean("rescaled", true);
  setup.reference =
      static_cast<ReferenceSlice>(fusion.choice("reference", {"first", "middle", "last"}, 1));
  file.finish();
  return setup;
}

}  // namespace

double Setup::lateral_magnification() const {
  return measured_magnification.value_or((magnification + extension_mm / focal_length_mm) *
                                         converter);
}

double Setup::principal_distance_mm() const {
  const double without_converter = lateral_magnification() / converter;
  return focal_length_mm * converter * (1.0 + without_converter / pupil_magnification);
}

double Setup::object_distance_mm() const {
  if (working_distance_mm && !measured_magnification) return *working_distance_mm;
  return principal_distance_mm() / lateral_magnification();
}

Camera Setup::nominal_camera() const {
  Camera camera;
  camera.width_px = width_px;
  camera.height_px = height_px;
  camera.cx = 0.5 * (width_px - 1);
  camera.cy = 0.5 * (height_px - 1);
  camera.projection = orthographic() ? Projection::telecentric : Projection::perspective;
  camera.fx = orthographic() ? lateral_magnification() * 1000.0 / pixel_pitch_um
                             : principal_distance_mm() * 1000.0 / pixel_pitch_um;
  camera.fy = camera.fx;
  return camera;
}

Setup read_setup(const std::filesystem::path& file) {
  TomlReader reader = TomlReader::from_file(file);
  return setup_from(reader, file.string());
}

Setup parse_setup(std::string_view text, const std::string& name) {
  TomlReader reader = TomlReader::from_text(text, name);
  return setup_from(reader, name);
}

}  // namespace trunnion
