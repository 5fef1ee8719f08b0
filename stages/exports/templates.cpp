#include "stages/exports/exports.h"

// GCC 12 sees null dereferences in the destructors of the template library's variant values.
#pragma GCC diagnostic ignored "-Wnull-dereference"

#include <fmt/format.h>

#include <algorithm>
#include <filesystem>
#include <functional>
#include <kainjow/mustache.hpp>
#include <map>
#include <nlohmann/json.hpp>
#include <set>

#include "config/toml_reader.h"
#include "core/angle.h"
#include "core/error.h"
#include "core/files.h"
#include "core/rotation.h"
#include "core/text.h"

namespace trunnion::exports {
namespace {

namespace mst = kainjow::mustache;
using Fields = std::map<std::string, std::string>;

struct Conversion {
  Eigen::Vector3d signs;   // sx, sy, sz
  double length = 1;       // one mm in the unit
  double angle = 1;        // one rad in the unit
  double pixel_shift = 0;  // added to image coordinates
};

Conversion conversion_of(const TemplateSettings& settings) {
  Conversion c;
  const double sy = settings.y_up ? -1 : 1;
  const double sz = settings.looks_along_z ? 1 : -1;
  c.signs = {sy * sz, sy, sz};
  c.length = settings.length == "um"   ? 1000.0
             : settings.length == "cm" ? 0.1
             : settings.length == "m"  ? 0.001
                                       : 1.0;
  c.angle = settings.radians ? 1.0 : degrees(1.0);
  c.pixel_shift = settings.corner_is_origin ? 0.5 : 0.0;
  return c;
}

void put(Fields& fields, const std::string& name, double value) {
  fields[name] = number_text(value);
}

void put(Fields& fields, const std::string& prefix, const Eigen::Vector3d& value) {
  put(fields, prefix + "x", value.x());
  put(fields, prefix + "y", value.y());
  put(fields, prefix + "z", value.z());
}

void put_camera(Fields& fields, const std::string& prefix, const Camera& camera,
                const Conversion& c) {
  const double per_length = camera.projection == Projection::telecentric ? 1.0 / c.length : 1.0;
  put(fields, prefix + "width", camera.width_px);
  put(fields, prefix + "height", camera.height_px);
  put(fields, prefix + "fx", camera.fx * per_length);
  put(fields, prefix + "fy", camera.fy * per_length);
  put(fields, prefix + "cx", camera.cx + c.pixel_shift);
  put(fields, prefix + "cy", camera.cy + c.pixel_shift);
  const std::array<const char*, 5> names{"k1", "k2", "p1", "p2", "k3"};
  for (std::size_t i = 0; i < names.size(); ++i) {
    put(fields, prefix + names[i], camera.distortion[i]);
  }
}

Fields set_fields(const Scene& scene, const TemplateSettings& settings, const Conversion& c) {
  Fields fields;
  fields["title"] = scene.title;
  fields["setup"] = scene.setup_name;
  fields["calibration_hash"] = scene.calibration_hash;
  fields["projection"] =
      scene.camera.projection == Projection::perspective ? "perspective" : "telecentric";
  fields["count"] = std::to_string(scene.views.size());
  fields["tie_point_count"] = std::to_string(scene.tie_points.size());
  put_camera(fields, "", scene.camera, c);
  put_camera(fields, "source_", scene.source_camera, c);
  put(fields, "principal_distance", scene.camera.fx * scene.pixel_pitch_um / 1000.0 * c.length);
  put(fields, "pixel_pitch", scene.pixel_pitch_um / 1000.0 * c.length);
  put(fields, "sign_", c.signs);
  fields["length_unit"] = settings.length;
  fields["angle_unit"] = settings.radians ? "rad" : "deg";
  fields["y_axis"] = settings.y_up ? "up" : "down";
  fields["looks_along"] = settings.looks_along_z ? "+z" : "-z";
  fields["pixel_origin"] =
      settings.corner_is_origin ? "corner of the top-left pixel" : "centre of the top-left pixel";
  return fields;
}

std::string image_name(const std::string& file, const std::string& style) {
  if (style == "path" || file.empty()) return file;
  const fs::path path(file);
  return (style == "file" ? path.filename() : path.stem()).string();
}

Fields view_fields(const View& view, std::size_t index, const TemplateSettings& settings,
                   const Conversion& c) {
  Fields fields;
  fields["index"] = std::to_string(index);
  fields["number"] = std::to_string(index + 1);
  fields["name"] = view.name;
  fields["image"] = image_name(view.image_file, settings.image_names);
  fields["mask"] = image_name(view.mask_file, settings.image_names);
  fields["source"] = image_name(view.source_file, settings.image_names);
  fields["ring"] = view.ring;
  fields["station"] = std::to_string(view.station);
  fields["pose_state"] = std::string(name_of(view.state));
  put(fields, "stage_angle", view.stage_angle * c.angle);
  put(fields, "sigma_stage_angle", view.sigma_stage_angle * c.angle);
  const Eigen::Matrix3d R = c.signs.asDiagonal() * view.pose.R;
  for (int row = 0; row < 3; ++row) {
    for (int column = 0; column < 3; ++column) {
      put(fields, fmt::format("r{}{}", row + 1, column + 1), R(row, column));
    }
  }
  put(fields, "t", c.signs.cwiseProduct(view.pose.t) * c.length);
  put(fields, "centre_", view.pose.centre_mm() * c.length);
  const Eigen::Vector4d q = quaternion_wxyz(R);
  const std::array<const char*, 4> parts{"qw", "qx", "qy", "qz"};
  for (Eigen::Index i = 0; i < 4; ++i) put(fields, parts[static_cast<std::size_t>(i)], q[i]);
  const OmegaPhiKappa angles = omega_phi_kappa(view.pose.R);
  put(fields, "omega", angles.omega * c.angle);
  put(fields, "phi", angles.phi * c.angle);
  put(fields, "kappa", angles.kappa * c.angle);
  const Eigen::Vector<double, 6> sigma = view.covariance.diagonal().cwiseMax(0.0).cwiseSqrt();
  put(fields, "sigma_rotation_", sigma.head<3>() * c.angle);
  put(fields, "sigma_centre_", sigma.tail<3>() * c.length);
  return fields;
}

mst::data data_of(const Fields& fields) {
  mst::data data(mst::data::type::object);
  for (const auto& [name, value] : fields) data.set(name, value);
  return data;
}

mst::data truth(bool value) {
  return value ? mst::data(mst::data::type::bool_true) : mst::data(mst::data::type::bool_false);
}

std::function<std::string(const std::string&)> escape_for(const std::string& file) {
  const std::string extension = fs::path(file).extension().string();
  if (extension == ".xml" || extension == ".html") return mst::html_escape<std::string>;
  if (extension == ".json") {
    return [](const std::string& text) {
      const std::string quoted =
          nlohmann::json(text).dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
      return quoted.substr(1, quoted.size() - 2);
    };
  }
  return [](const std::string& text) { return text; };
}

// One tag of a template: {{field}}, {{#field}}, {{/field}} ...
struct Tag {
  char kind = ' ';  // '#', '^', '/', '!', '>', '=' or ' '
  std::string field;
};

std::vector<Tag> tags_of(const std::string& text) {
  std::vector<Tag> tags;
  std::size_t at = 0;
  while ((at = text.find("{{", at)) != std::string::npos) {
    const std::size_t end = text.find("}}", at);
    if (end == std::string::npos) break;  // the parser says it better
    Tag tag{' ', text.substr(at + 2, end - at - 2)};
    at = end + 2;
    tag.field.erase(0, tag.field.find_first_not_of(" \t\r\n"));
    if (!tag.field.empty() && std::string_view("#^/!>=").find(tag.field[0]) != std::string::npos) {
      tag.kind = tag.field[0];
    }
    tag.field.erase(0, tag.field.find_first_not_of("{&#^/>= \t\r\n"));
    tag.field.erase(tag.field.find_last_not_of(" \t\r\n}=") + 1);
    tags.push_back(tag);
  }
  return tags;
}

// A misspelt field would render as nothing, a list inside itself grow without bounds: both are
// found before anything is rendered.
void check_tags(const std::string& text, const std::set<std::string>& known,
                const std::string& name) {
  constexpr std::size_t kMaxDepth = 16;
  std::vector<std::string> open;
  for (const Tag& tag : tags_of(text)) {
    if (tag.kind == '!') continue;
    if (tag.kind == '>') {
      throw data_error(
          fmt::format("{}: {{{{> {}}}}} includes another file, which is not supported; insert its "
                      "text instead.",
                      name, tag.field));
    }
    if (tag.kind == '=') {
      throw data_error(fmt::format(
          "{}: changes the delimiters, which is not supported; keep {{{{ and }}}}.", name));
    }
    if (!known.contains(tag.field)) {
      const std::string near = nearest_word(tag.field, {known.begin(), known.end()});
      throw data_error(fmt::format("{}: there is no field \"{}\"{}; docs/formats.md lists them.",
                                   name, tag.field,
                                   near.empty() ? "" : ", did you mean \"" + near + "\""));
    }
    if (tag.kind == '/' && !open.empty()) open.pop_back();
    if (tag.kind != '#' && tag.kind != '^') continue;
    if (tag.field == "views" && std::find(open.begin(), open.end(), "views") != open.end()) {
      throw data_error(
          fmt::format("{}: lists the views inside the list of views; close the outer "
                      "{{{{#views}}}} first.",
                      name));
    }
    open.push_back(tag.field);
    if (open.size() > kMaxDepth) {
      throw data_error(fmt::format(
          "{}: nests more than {} sections; close some with {{{{/field}}}}.", name, kMaxDepth));
    }
  }
}

std::string rendered(const std::string& text, const mst::data& data, const std::string& file,
                     const std::string& name) {
  mst::mustache engine(text);
  if (!engine.is_valid()) {
    throw data_error(fmt::format("{}: the template is not valid mustache ({}); correct it.", name,
                                 engine.error_message()));
  }
  engine.set_custom_escape(escape_for(file));
  return engine.render(data);
}

constexpr std::uintmax_t kTemplateLimit = 1U << 20U;

bool marks_state(const std::string& text) {
  return text.find("pose_state") != std::string::npos;
}

// A template that doesn't print the state can't mark a contradicted pose: those are left out.
std::vector<std::size_t> views_of(const Scene& scene, const std::string& text) {
  std::vector<std::size_t> kept;
  for (std::size_t i = 0; i < scene.views.size(); ++i) {
    if (marks_state(text) || scene.views[i].state != PoseState::contradicted) kept.push_back(i);
  }
  return kept;
}

std::string file_of_view(std::string pattern, const View& view) {
  const std::size_t at = pattern.find("{name}");
  return pattern.replace(at, 6, view.name);
}

}  // namespace

TextFiles render_template_text(const Scene& scene, const TemplateSettings& settings,
                               const std::string& text, const std::string& name) {
  const Conversion c = conversion_of(settings);
  const Fields common = set_fields(scene, settings, c);
  const bool one_a_view = settings.name.find("{name}") != std::string::npos;
  std::set<std::string> known{"views",       "last",           "first",   "has_mask",
                              "perspective", "is_telecentric", "refined", "distorted"};
  for (const auto& [field, value] : common) known.insert(field);
  for (const auto& [field, value] : view_fields({}, 0, settings, c)) known.insert(field);
  if (one_a_view && text.find("{{#views}}") != std::string::npos) {
    throw data_error(
        fmt::format("{}: lists the views, but its name \"{}\" writes one file per view; remove "
                    "{{{{#views}}}}, or remove {{name}} from the name.",
                    name, settings.name));
  }
  check_tags(text, known, name);

  mst::data set = data_of(common);
  set.set("perspective", truth(scene.camera.projection == Projection::perspective));
  set.set("is_telecentric", truth(scene.camera.projection == Projection::telecentric));
  set.set("refined", truth(scene.refined));
  set.set("distorted", truth(scene.camera.distorts()));
  TextFiles files;
  mst::data views(mst::data::type::list);
  const std::vector<std::size_t> kept = views_of(scene, text);
  for (std::size_t place = 0; place < kept.size(); ++place) {
    const std::size_t i = kept[place];
    const Fields fields = view_fields(scene.views[i], place, settings, c);
    if (one_a_view) {
      mst::data one = set;
      for (const auto& [field, value] : fields) one.set(field, value);
      one.set("has_mask", truth(!scene.views[i].mask_file.empty()));
      const std::string file = file_of_view(settings.name, scene.views[i]);
      files.emplace_back(file, rendered(text, one, file, name));
    } else {
      mst::data view = data_of(fields);
      view.set("has_mask", truth(!scene.views[i].mask_file.empty()));
      view.set("first", truth(place == 0));
      view.set("last", truth(place + 1 == kept.size()));
      views.push_back(view);
    }
  }
  if (!one_a_view) {
    set.set("views", views);
    files.emplace_back(settings.name, rendered(text, set, settings.name, name));
  }
  return files;
}

bool template_marks_state(const TemplateSettings& settings) {
  return marks_state(read_file(settings.file, kTemplateLimit));
}

TextFiles render_template(const Scene& scene, const TemplateSettings& settings) {
  return render_template_text(scene, settings, read_file(settings.file, kTemplateLimit),
                              settings.file.string());
}

}  // namespace trunnion::exports
