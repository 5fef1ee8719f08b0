#include "tests/support/samples.h"

#include <fmt/format.h>

#include <cmath>
#include <opencv2/imgcodecs.hpp>

#include "core/angle.h"
#include "core/turntable.h"

namespace trunnion::test {
namespace {

std::string big_endian(std::uint32_t value, int bytes = 4) {
  std::string text;
  for (int i = bytes - 1; i >= 0; --i) text += static_cast<char>((value >> (8 * i)) & 0xFFU);
  return text;
}

std::string xyz_tag(double x, double y, double z) {
  std::string text = "XYZ " + big_endian(0);
  for (const double v : {x, y, z}) {
    text +=
        big_endian(static_cast<std::uint32_t>(static_cast<std::int32_t>(std::lround(v * 65536))));
  }
  return text;
}

std::string text_description(const std::string& name) {
  std::string text = "desc" + big_endian(0);
  text += big_endian(static_cast<std::uint32_t>(name.size() + 1)) + name + '\0';
  return text + std::string(4 + 4 + 2 + 1 + 67, '\0');
}

void add_ring(Scene& scene, const std::string& ring, double elevation_deg, int stations) {
  const Axis axis = nominal_axis(210.0, radians(elevation_deg), {0.4, -0.3});
  AxisCovariance covariance = AxisCovariance::Zero();
  covariance.diagonal() << 1e-6, 1e-6, 4e-4, 4e-4, 0.01;
  for (int i = 0; i < stations; ++i) {
    View view;
    view.name = fmt::format("{}_{:03}", ring, i);
    view.image_file = "images/" + view.name + ".tif";
    view.mask_file = "masks/" + view.name + ".png";
    view.source_file = "fused/" + view.name + ".tif";
    view.ring = ring;
    view.station = i;
    view.stage_angle = radians(360.0 / stations * i);
    view.sigma_stage_angle = radians(0.05);
    view.prior = pose_at(axis, view.stage_angle);
    view.prior_covariance =
        pose_covariance_at(axis, covariance, view.stage_angle, view.sigma_stage_angle);
    view.pose = view.prior;
    view.covariance = view.prior_covariance;
    scene.views.push_back(view);
  }
}

}  // namespace

Scene sample_scene() {
  Scene scene;
  scene.title = "Glass beetle 7";
  scene.setup_name = "bench-macro";
  scene.camera = {Projection::perspective, 600, 400, 5210.5, 5210.5, 299.5, 199.5, {}};
  scene.source_camera = scene.camera;
  scene.source_camera.cx = 303.2;
  scene.source_camera.cy = 196.7;
  scene.source_camera.distortion = {-1.8, 12.0, 0.0011, -0.0008, 0.0};
  scene.pixel_pitch_um = 40.0;
  scene.lens_calibrated = true;
  scene.axis_calibrated = true;
  scene.calibration_hash = "0123456789abcdef0123456789abcdef";
  add_ring(scene, "low", 15.0, 8);
  add_ring(scene, "high", 40.0, 6);
  for (const Eigen::Vector3d& point : truth_points()) {
    TiePoint tie;
    tie.position_mm = point;
    tie.covariance = Eigen::Matrix3d::Identity() * 1e-6;
    tie.rgb = {200, 120, 40};
    tie.observations = {{0, {300, 200}, 0.2}, {1, {310, 205}, 0.3}};
    scene.tie_points.push_back(tie);
  }
  return scene;
}

Setup sample_setup() {
  return parse_setup(
      "title = \"Bench macro\"\n[body]\ntext = \"bench body 1\"\nwidth_px = 600\nheight_px = 400\n"
      "pixel_pitch_um = 40.0\n[lens]\ntext = \"macro lens 100 mm\"\nserial = \"L-17\"\n"
      "focal_length_mm = 100.0\nmagnification = 1.0\nf_number = 8.0\n",
      "bench-macro.toml");
}

std::vector<Eigen::Vector3d> truth_points() {
  return {{0, 0, 0},         {3, 0, 1},      {-2.5, 1.5, 2},   {1, -3, -1.5},
          {0.25, 0.5, 3.25}, {2, 2, -2.125}, {-3, -1, 0.0625}, {1.5, -0.75, 2.5}};
}

cv::Mat sample_image(int width, int height, int depth, int channels) {
  cv::Mat image(height, width, CV_MAKETYPE(depth, channels));
  const double full = depth == CV_16U ? 65535 : 255;
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      for (int c = 0; c < channels; ++c) {
        const double value =
            full * (0.5 + 0.3 * std::sin(0.05 * x + c) * std::cos(0.07 * y) + 0.1 * x / width);
        if (depth == CV_16U) {
          image.ptr<std::uint16_t>(y)[x * channels + c] = static_cast<std::uint16_t>(value);
        } else {
          image.ptr<std::uint8_t>(y)[x * channels + c] = static_cast<std::uint8_t>(value);
        }
      }
    }
  }
  return image;
}

std::string icc_profile(bool grey) {
  std::vector<std::pair<std::string, std::string>> tags{
      {"desc", text_description("Invented bench profile")},
      {"cprt", "text" + big_endian(0) + std::string("Public domain\0", 14)},
      {"wtpt", xyz_tag(0.9642, 1.0, 0.8249)}};
  const std::string gamma =
      "curv" + big_endian(0) + big_endian(1) + big_endian(563, 2) + std::string(2, '\0');
  if (grey) {
    tags.emplace_back("kTRC", gamma);
  } else {
    tags.emplace_back("rXYZ", xyz_tag(0.4361, 0.2225, 0.0139));
    tags.emplace_back("gXYZ", xyz_tag(0.3851, 0.7169, 0.0971));
    tags.emplace_back("bXYZ", xyz_tag(0.1431, 0.0606, 0.7141));
    for (const char* name : {"rTRC", "gTRC", "bTRC"}) tags.emplace_back(name, gamma);
  }
  std::string table = big_endian(static_cast<std::uint32_t>(tags.size()));
  std::string data;
  const std::size_t start = 128 + 4 + 12 * tags.size();
  for (const auto& [name, content] : tags) {
    table += name + big_endian(static_cast<std::uint32_t>(start + data.size())) +
             big_endian(static_cast<std::uint32_t>(content.size()));
    data += content;
    data.resize((data.size() + 3) / 4 * 4, '\0');
  }
  std::string header = big_endian(static_cast<std::uint32_t>(start + data.size()));
  header += std::string(4, '\0') + big_endian(0x02400000) + "mntr" + (grey ? "GRAY" : "RGB ") +
            "XYZ " + big_endian(2026, 2) + big_endian(1, 2) + big_endian(2, 2) +
            std::string(6, '\0') + "acsp" + std::string(24, '\0') + big_endian(0) +
            big_endian(0xF6D6) + big_endian(0x10000) + big_endian(0xD32D);
  header.resize(128, '\0');
  return header + table + data;
}

std::string jpeg_bytes(const cv::Mat& image) {
  std::vector<std::uint8_t> bytes;
  cv::imencode(".jpg", image, bytes);
  return {bytes.begin(), bytes.end()};
}

}  // namespace trunnion::test
