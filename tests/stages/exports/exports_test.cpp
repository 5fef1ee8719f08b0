#include "stages/exports/exports.h"

#include <gtest/gtest.h>

#include <cctype>
#include <cmath>
#include <cstring>
#include <map>
#include <nlohmann/json.hpp>
#include <opencv2/core.hpp>
#include <sstream>

#include "core/angle.h"
#include "core/error.h"
#include "core/text.h"
#include "tests/support/open_data.h"
#include "tests/support/samples.h"

namespace trunnion::exports {
namespace exports_test {

using Eigen::Matrix3d;
using Eigen::Vector2d;
using Eigen::Vector3d;

// What a reader knows from one file: a pixel of a world point in a view.
using Projector = std::function<Vector2d(std::size_t, const Vector3d&)>;

// The largest distance (px) from the truth over all views and points.
double worst(const Scene& scene, const Projector& projector) {
  double largest = 0;
  for (std::size_t i = 0; i < scene.views.size(); ++i) {
    for (const Vector3d& point : test::truth_points()) {
      const Vector2d truth = project(scene.camera, scene.views[i].pose * point);
      const double distance = (projector(i, point) - truth).norm();
      largest = std::isnan(distance) ? 1e9 : std::max(largest, distance);
    }
  }
  return largest;
}

// A scene with the principal point off the middle and fx != fy, which most formats can say.
Scene uneven_scene() {
  Scene scene = test::sample_scene();
  scene.camera.fy = 5190.25;
  scene.camera.cx = 303.7;
  scene.camera.cy = 190.1;
  return scene;
}

std::vector<std::vector<std::string>> csv_rows(const std::string& text) {
  std::vector<std::vector<std::string>> rows;
  std::istringstream lines(text);
  std::string line;
  while (std::getline(lines, line)) {
    if (line.starts_with('#')) continue;
    std::vector<std::string> cells;
    std::istringstream stream(line);
    std::string cell;
    while (std::getline(stream, cell, ',')) cells.push_back(cell);
    rows.push_back(cells);
  }
  rows.erase(rows.begin());  // names of the columns
  return rows;
}

std::vector<double> numbers(const std::vector<std::string>& cells) {
  std::vector<double> values;
  for (std::size_t i = 1; i < cells.size(); ++i) {
    if (std::isalpha(static_cast<unsigned char>(cells[i][0])) != 0) continue;  // the state
    values.push_back(std::stod(cells[i]));
  }
  return values;
}

// "# image W x H px; fx A fy B px; cx C cy D px; ..."
Camera camera_of_comment(const std::string& text) {
  Camera camera;
  const std::size_t at = text.find("# image ");
  std::istringstream words(text.substr(at));
  std::map<std::string, double> found;
  std::string word;
  std::string value;
  while (words >> word && found.size() < 4) {
    if (word == "fx" || word == "fy" || word == "cx" || word == "cy") {
      words >> value;
      found[word] = std::stod(value);
    }
  }
  camera.fx = found["fx"];
  camera.fy = found["fy"];
  camera.cx = found["cx"];
  camera.cy = found["cy"];
  return camera;
}

Vector2d pinhole(const Camera& k, const Vector3d& x) {
  return {k.fx * x.x() / x.z() + k.cx, k.fy * x.y() / x.z() + k.cy};
}

TEST(Export, CamerasJsonAloneProjects) {
  const Scene scene = uneven_scene();
  const auto json = nlohmann::json::parse(cameras_json(scene));
  const auto& c = json["camera"];
  const Projector projector = [&](std::size_t i, const Vector3d& p) {
    const auto& pose = json["views"][i]["pose"];
    Vector3d x;
    for (std::size_t r = 0; r < 3; ++r) {
      double sum = pose["translation_mm"][r];
      for (std::size_t k = 0; k < 3; ++k) {
        sum += pose["rotation"][r][k].get<double>() * p[static_cast<int>(k)];
      }
      x[static_cast<int>(r)] = sum;
    }
    return Vector2d(c["fx_px"].get<double>() * x.x() / x.z() + c["cx_px"].get<double>(),
                    c["fy_px"].get<double>() * x.y() / x.z() + c["cy_px"].get<double>());
  };
  EXPECT_LE(worst(scene, projector), 0.001);
}

// The collinearity equations of photogrammetry as handbooks write them (T. Luhmann et al.,
// "Close-Range Photogrammetry and 3D Imaging", central projection; from memory), y up, camera
// looking along -z, principal distance c in px:
//   x' = -c (r11 dX + r21 dY + r31 dZ) / (r13 dX + r23 dY + r33 dZ), y' with r12 r22 r32
TEST(Export, ExteriorCsvAloneProjectsByCollinearity) {
  const Scene scene = uneven_scene();
  const std::string text = exterior_csv(scene);
  const Camera k = camera_of_comment(text);
  const auto rows = csv_rows(text);
  ASSERT_EQ(rows.size(), scene.views.size());
  const Projector projector = [&](std::size_t i, const Vector3d& p) {
    const std::vector<double> v = numbers(rows[i]);
    const double so = std::sin(radians(v[3])), co = std::cos(radians(v[3]));
    const double sp = std::sin(radians(v[4])), cp = std::cos(radians(v[4]));
    const double sk = std::sin(radians(v[5])), ck = std::cos(radians(v[5]));
    const Vector3d d = p - Vector3d(v[0], v[1], v[2]);
    const double kx =
        cp * ck * d.x() + (co * sk + so * sp * ck) * d.y() + (so * sk - co * sp * ck) * d.z();
    const double ky =
        -cp * sk * d.x() + (co * ck - so * sp * sk) * d.y() + (so * ck + co * sp * sk) * d.z();
    const double n = sp * d.x() - so * cp * d.y() + co * cp * d.z();
    return Vector2d(k.cx - k.fx * kx / n, k.cy + k.fy * ky / n);
  };
  EXPECT_LE(worst(scene, projector), 0.001);
}

TEST(Export, ExteriorCsvSigmasFollowThePoseCovariance) {
  const Scene scene = uneven_scene();
  const auto rows = csv_rows(exterior_csv(scene));
  const std::vector<double> v = numbers(rows[2]);
  EXPECT_NEAR(v[6], std::sqrt(scene.views[2].covariance(3, 3)), 1e-15);
  // All rotation sigmas are about 0.05 degrees here; so must those of omega, phi, kappa be.
  for (int i = 9; i < 12; ++i) {
    EXPECT_GT(v[static_cast<std::size_t>(i)], 0.02);
    EXPECT_LT(v[static_cast<std::size_t>(i)], 0.2);
  }
}

TEST(Export, MatrixCsvAloneProjects) {
  const Scene scene = uneven_scene();
  const std::string text = poses_matrix_csv(scene);
  const Camera k = camera_of_comment(text);
  const auto rows = csv_rows(text);
  const Projector projector = [&](std::size_t i, const Vector3d& p) {
    const std::vector<double> v = numbers(rows[i]);
    return pinhole(k, {v[0] * p.x() + v[1] * p.y() + v[2] * p.z() + v[9],
                       v[3] * p.x() + v[4] * p.y() + v[5] * p.z() + v[10],
                       v[6] * p.x() + v[7] * p.y() + v[8] * p.z() + v[11]});
  };
  EXPECT_LE(worst(scene, projector), 0.001);
}

TEST(Export, QuaternionCsvAloneProjects) {
  const Scene scene = uneven_scene();
  const std::string text = poses_quaternion_csv(scene);
  const Camera k = camera_of_comment(text);
  const auto rows = csv_rows(text);
  const Projector projector = [&](std::size_t i, const Vector3d& p) {
    const std::vector<double> v = numbers(rows[i]);
    const Eigen::Quaterniond q(v[3], v[4], v[5], v[6]);
    return pinhole(k, q * p + Vector3d(v[0], v[1], v[2]));
  };
  EXPECT_LE(worst(scene, projector), 0.001);
}

// Projection by the rules of the glTF 2.0 specification (3.10, cameras) with single-precision
// numbers, as most readers hold them.
TEST(Export, GltfAloneProjects) {
  const Scene scene = test::sample_scene();
  const auto gltf = nlohmann::json::parse(cameras_gltf(scene, nullptr));
  std::vector<nlohmann::json> nodes;
  for (const auto& id : gltf["scenes"][0]["nodes"]) {
    const auto& node = gltf["nodes"][id.get<std::size_t>()];
    if (node.contains("camera")) nodes.push_back(node);
  }
  ASSERT_EQ(nodes.size(), scene.views.size());
  const auto& lens = gltf["cameras"][0]["perspective"];
  const auto yfov = lens["yfov"].get<float>();
  const auto aspect = lens["aspectRatio"].get<float>();
  const int width = gltf["cameras"][0]["extras"]["width_px"];
  const int height = gltf["cameras"][0]["extras"]["height_px"];
  const Projector projector = [&](std::size_t i, const Vector3d& p) {
    const auto& r = nodes[i]["rotation"];
    const auto& t = nodes[i]["translation"];
    const Eigen::Quaternionf q(r[3].get<float>(), r[0].get<float>(), r[1].get<float>(),
                               r[2].get<float>());
    const Eigen::Vector3f world(static_cast<float>(p.x() / 1000), static_cast<float>(p.z() / 1000),
                                static_cast<float>(-p.y() / 1000));
    const Eigen::Vector3f offset(t[0].get<float>(), t[1].get<float>(), t[2].get<float>());
    const Eigen::Vector3f x = q.inverse() * (world - offset);
    const double tangent = std::tan(0.5 * static_cast<double>(yfov));
    const double ndc_x = static_cast<double>(x.x()) / (aspect * tangent * -x.z());
    const double ndc_y = static_cast<double>(x.y()) / (tangent * -x.z());
    return Vector2d(0.5 * (ndc_x + 1) * width - 0.5, 0.5 * (1 - ndc_y) * height - 0.5);
  };
  EXPECT_LE(worst(scene, projector), 0.01);
}

TEST(Export, TelecentricGltfIsOrthographic) {
  Scene scene = test::sample_scene();
  scene.camera.projection = Projection::telecentric;
  scene.camera.fx = scene.camera.fy = 25.0;  // px per mm
  const auto gltf = nlohmann::json::parse(cameras_gltf(scene, nullptr));
  EXPECT_EQ(gltf["cameras"][0]["type"], "orthographic");
  // 600 px at 25 px per mm are 24 mm: half is 0.012 m.
  EXPECT_NEAR(gltf["cameras"][0]["orthographic"]["xmag"], 0.012, 1e-15);
  EXPECT_NEAR(gltf["cameras"][0]["orthographic"]["ymag"], 0.008, 1e-15);
}

// Reference library: OpenCV reads its own file back.
TEST(Export, CameraYmlReadsInOpenCv) {
  const Scene scene = uneven_scene();
  const cv::FileStorage file(camera_yml(scene), cv::FileStorage::READ | cv::FileStorage::MEMORY);
  cv::Mat K;
  cv::Mat k;
  file["camera_matrix"] >> K;
  file["source_distortion_coefficients"] >> k;
  EXPECT_EQ(K.at<double>(0, 0), scene.camera.fx);
  EXPECT_EQ(K.at<double>(1, 1), scene.camera.fy);
  EXPECT_EQ(K.at<double>(0, 2), scene.camera.cx);
  EXPECT_EQ(K.at<double>(1, 2), scene.camera.cy);
  EXPECT_EQ(static_cast<int>(file["image_width"]), 600);
  for (int i = 0; i < 5; ++i) {
    EXPECT_EQ(k.at<double>(i), scene.source_camera.distortion[static_cast<std::size_t>(i)]);
  }
}

TEST(Export, ScaleFileHoldsChordsOfTheCircle) {
  const Scene scene = test::sample_scene();
  const std::string text = scale_csv(scene);
  // Neighbours of the low ring, 45 degrees apart: the chord 2 rho sin(22.5 deg) of the circle on
  // which the projection centres lie (Euclid).
  const Vector3d centre = scene.views[0].pose.centre_mm();
  const double chord = 2 * std::hypot(centre.x(), centre.y()) * std::sin(radians(22.5));
  std::istringstream lines(text);
  std::string line;
  while (std::getline(lines, line) && (line.starts_with('#') || line.starts_with("image_a"))) {
  }
  EXPECT_TRUE(line.starts_with("images/low_000.tif,images/low_001.tif,")) << line;
  EXPECT_NEAR(std::stod(line.substr(38)), chord, 1e-9);
}

// Rebuilds projection from a list of views written with the given settings.
double worst_of_template(const Scene& scene, const TemplateSettings& settings,
                         const std::string& name) {
  TemplateSettings with_file = settings;
  with_file.file = test::source_folder() / "config" / "templates" / (name + ".mustache");
  with_file.name = "out.txt";
  const TextFiles files = render_template(scene, with_file);
  std::istringstream words(files.at(0).second);
  std::map<std::string, std::vector<double>> camera;
  std::vector<Eigen::Matrix<double, 3, 4>> poses;
  std::string line;
  while (std::getline(words, line)) {
    // In `views` a line is its label, a colon and numbers.
    const std::size_t colon = line.find(": ");
    const std::string label =
        name == "views" && colon != std::string::npos ? line.substr(0, colon) : "";
    std::istringstream fields(label.empty() ? line : line.substr(colon + 2));
    std::string word;
    if (label.empty()) fields >> word;
    const auto rest = [&] {
      std::vector<double> values;
      double value = 0;
      while (fields >> value) values.push_back(value);
      return values;
    };
    if (name == "matrix" && line.starts_with("# image width")) {
      const auto after = [&line](const char* what) {
        return std::stod(line.substr(line.find(what) + std::strlen(what)));
      };
      camera["camera"] = {after("width "), after("height "), after(" fx "),
                          after(" fy "),   after(" cx "),    after(" cy ")};
    } else if (name == "matrix" && !line.starts_with('#')) {
      const auto v = rest();
      Eigen::Matrix<double, 3, 4> pose;
      for (int i = 0; i < 12; ++i) pose(i / 4, i % 4) = v[static_cast<std::size_t>(i)];
      poses.push_back(pose);
    } else if (label.starts_with("image width and height") || label.starts_with("scale fx") ||
               label.starts_with("principal point")) {
      for (const double value : rest()) camera["camera"].push_back(value);
    } else if (label.ends_with("translation of camera_from_world, x y z")) {
      const auto v = rest();
      poses.emplace_back();
      poses.back().col(3) = Vector3d(v[0], v[1], v[2]);
    } else if (label.ends_with("rotation of camera_from_world, quaternion w x y z")) {
      const auto v = rest();
      poses.back().leftCols<3>() = Eigen::Quaterniond(v[0], v[1], v[2], v[3]).toRotationMatrix();
    }
  }
  const double mm = settings.length == "m" ? 0.001 : settings.length == "um" ? 1000.0 : 1.0;
  const double sy = settings.y_up ? -1 : 1;
  const double sz = settings.looks_along_z ? 1 : -1;
  const double origin = settings.corner_is_origin ? 0.5 : 0.0;
  const auto& c = camera["camera"];
  return worst(scene, [&](std::size_t i, const Vector3d& p) {
    const Vector3d x = poses.at(i) * (p * mm).homogeneous();
    return Vector2d(c[4] + sy * sz * c[2] * x.x() / (sz * x.z()) - origin,
                    c[5] + sy * c[3] * x.y() / (sz * x.z()) - origin);
  });
}

TEST(Export, TemplatesAloneProjectInEveryConvention) {
  const Scene scene = uneven_scene();
  for (const char* name : {"matrix", "views"}) {
    for (const bool y_up : {false, true}) {
      for (const bool along_z : {false, true}) {
        for (const char* length : {"mm", "m", "um"}) {
          TemplateSettings settings;
          settings.y_up = y_up;
          settings.looks_along_z = along_z;
          settings.corner_is_origin = y_up;
          settings.length = length;
          EXPECT_LE(worst_of_template(scene, settings, name), 0.001) << name << y_up << along_z;
        }
      }
    }
  }
}

TEST(Export, TemplatesConvertAnglesNamesAndEscapes) {
  Scene scene = test::sample_scene();
  scene.title = "Tom & <Jerry> \"7\"";
  TemplateSettings settings;
  settings.name = "list/{name}.xml";
  settings.radians = true;
  settings.image_names = "name";
  const TextFiles files = render_template_text(
      scene, settings, "<v t=\"{{title}}\" i=\"{{image}}\">{{stage_angle}}</v>", "t.mustache");
  ASSERT_EQ(files.size(), scene.views.size());
  EXPECT_EQ(files[2].first, "list/low_002.xml");
  EXPECT_EQ(files[2].second, "<v t=\"Tom &amp; &lt;Jerry&gt; &quot;7&quot;\" i=\"low_002\">" +
                                 number_text(kPi / 2) + "</v>");
  settings.name = "set.json";
  const TextFiles json = render_template_text(
      scene, settings, "[{{#views}}{\"t\":\"{{title}}\"}{{^last}},{{/last}}{{/views}}]", "t");
  EXPECT_EQ(nlohmann::json::parse(json[0].second)[0]["t"], scene.title);
}

TEST(Export, MisspeltTemplateFieldIsNamed) {
  const auto message = [](const std::string& text) -> std::string {
    try {
      render_template_text(test::sample_scene(), {}, text, "mine.mustache");
    } catch (const Error& error) {
      return error.what();
    }
    return "";
  };
  EXPECT_EQ(message("{{#views}}{{centre_xx}}{{/views}}"),
            "mine.mustache: there is no field \"centre_xx\", did you mean \"centre_x\"; "
            "docs/formats.md lists them.");
  EXPECT_NE(message("{{#views}}{{name}}").find("not valid mustache"), std::string::npos);
  EXPECT_NE(message("{{> other}}").find("includes another file"), std::string::npos);
}

TEST(Export, WritesEveryFileTheSameTwice) {
  const test::TemporaryFolder a;
  const test::TemporaryFolder b;
  const Scene scene = test::sample_scene();
  const std::string jpeg = test::jpeg_bytes(test::sample_image(60, 40, CV_8U, 3));
  const ThumbnailReader thumbnail = [&](std::size_t) { return jpeg; };
  const ExportResult first = export_scene(scene, a.path(), thumbnail, {});
  const ExportResult second = export_scene(scene, b.path(), thumbnail, {});
  EXPECT_EQ(first.files.size(), 9U);
  for (const fs::path& file : first.files) {
    EXPECT_EQ(read_file(a.path() / file), read_file(b.path() / file)) << file;
  }
  EXPECT_TRUE(first.findings.empty());
}

}  // namespace exports_test
}  // namespace trunnion::exports
