#include "tests/support/mask_family.h"

#include <algorithm>
#include <cmath>
#include <fstream>
#include <opencv2/imgproc.hpp>

#include "datasets/sensor.h"
#include "stages/survey/survey.h"
#include "tests/support/boundary_f.h"
#include "tests/support/fused_slices.h"
#include "tests/support/mask_bodies.h"

namespace trunnion::test {
namespace {

demo::Backdrop backdrop_of(MaskBackdrop backdrop, std::uint64_t seed) {
  using demo::BackdropShade;
  switch (backdrop) {
    case MaskBackdrop::black:
      return {BackdropShade::black, false, seed, 0.0};
    case MaskBackdrop::white:
      return {BackdropShade::white, false, seed, 0.0};
    case MaskBackdrop::gradient:
      return {BackdropShade::grey, false, seed, 0.55};
    case MaskBackdrop::grey:
    case MaskBackdrop::glow:
      break;
  }
  return {BackdropShade::grey, false, seed, 0.0};
}

cv::Mat backdrop_image(const demo::Backdrop& backdrop, const Camera& camera) {
  cv::Mat image(camera.height_px, camera.width_px, CV_32FC3);
  for (int y = 0; y < image.rows; ++y) {
    for (int x = 0; x < image.cols; ++x) {
      const Eigen::Vector2d at(x, y);
      const Eigen::Vector3d c =
          demo::backdrop_colour(backdrop, camera, at, demo::backdrop_cloud(backdrop, camera, at));
      image.at<cv::Vec3f>(y, x) = {static_cast<float>(c.x()), static_cast<float>(c.y()),
                                   static_cast<float>(c.z())};
    }
  }
  return image;
}

cv::Mat three(const cv::Mat& plane) {
  cv::Mat result;
  cv::merge(std::vector<cv::Mat>{plane, plane, plane}, result);
  return result;
}

// Hairs by width, where only one class lies and nothing thicker is near.
cv::Mat thin_classes(const demo::SpecimenModel& model, const demo::RenderedView& view,
                     const Camera& camera, const Pose& pose) {
  cv::Mat classes = cv::Mat::zeros(view.coverage.size(), CV_8U);
  cv::Mat mixed = cv::Mat::zeros(view.coverage.size(), CV_8U);
  for (int wanted = 1; wanted <= 3; ++wanted) {
    cv::Mat here = cv::Mat::zeros(classes.size(), CV_8U);
    for (const demo::Solid& solid : model.solids()) {
      if (solid.part != demo::Part::bristle) continue;
      const double width = 2.0 * solid.radius_a * camera.fx / (pose * solid.a).z();
      if (std::clamp(static_cast<int>(std::ceil(width)), 1, 4) != wanted) continue;
      const Eigen::Vector2d a = project(camera, pose * solid.a);
      const Eigen::Vector2d b = project(camera, pose * solid.b);
      cv::line(here, cv::Point2d(a.x(), a.y()), cv::Point2d(b.x(), b.y()), cv::Scalar(255),
               wanted + 2);
    }
    mixed |= (classes > 0) & here;
    classes.setTo(wanted, here);
  }
  classes.setTo(0, mixed);
  cv::Mat thick = view.coverage - view.bristles;
  cv::dilate(thick > 8, thick, cv::getStructuringElement(cv::MORPH_ELLIPSE, {9, 9}));
  classes.setTo(0, thick);
  return classes;
}

void write_mat(std::ofstream& out, const cv::Mat& mat) {
  const std::array<int, 3> head{mat.rows, mat.cols, mat.type()};
  out.write(reinterpret_cast<const char*>(head.data()), sizeof head);
  out.write(reinterpret_cast<const char*>(mat.data),
            static_cast<std::streamsize>(mat.total() * mat.elemSize()));
}

cv::Mat read_mat(std::ifstream& in) {
  std::array<int, 3> head{};
  in.read(reinterpret_cast<char*>(head.data()), sizeof head);
  cv::Mat mat(head[0], head[1], head[2]);
  in.read(reinterpret_cast<char*>(mat.data),
          static_cast<std::streamsize>(mat.total() * mat.elemSize()));
  return mat;
}

BodyView render_view(const BodyModel& model, const demo::Rig& rig, std::size_t k) {
  const demo::Backdrop none = backdrop_of(MaskBackdrop::grey, 1);
  BodyView one;
  const Pose pose = rig.pose(0, k);
  one.view = demo::render_specimen(model, rig.camera, pose,
                                   rig.rings[0].camera_from_stage(rig.telecentric), none);
  const cv::Mat behind = backdrop_image(none, rig.camera);
  one.view.colour -= behind.mul(three(one.view.through));
  one.view.colour.setTo(cv::Scalar::all(0), one.view.coverage == 0);
  one.thin_class = thin_classes(model, one.view, rig.camera, pose);
  return one;
}

}  // namespace

RenderedBody render_body(const MaskBody& body, const std::filesystem::path& cache) {
  RenderedBody result{body, {}, {}};
  result.rig = demo::make_rig({.width_px = kMaskSetWidth_px,
                               .height_px = kMaskSetHeight_px,
                               .rings = 1,
                               .stations = kMaskSetViews,
                               .seed = body.seed});
  const std::filesystem::path file = cache / (std::string(body.name) + ".views");
  if (std::ifstream in(file, std::ios::binary); !cache.empty() && in) {
    for (int k = 0; k < kMaskSetViews; ++k) {
      BodyView one;
      for (cv::Mat* mat : {&one.view.colour, &one.view.coverage, &one.view.bristles,
                           &one.view.through, &one.view.depth_mm, &one.thin_class}) {
        *mat = read_mat(in);
      }
      result.views.push_back(one);
    }
    return result;
  }
  const BodyModel model(body, result.rig.object_pixel_mm);
  for (std::size_t k = 0; k < kMaskSetViews; ++k) {
    result.views.push_back(render_view(model, result.rig, k));
  }
  if (cache.empty()) return result;
  std::filesystem::create_directories(cache);
  std::ofstream out(file, std::ios::binary);
  for (const BodyView& one : result.views) {
    for (const cv::Mat& mat : {one.view.colour, one.view.coverage, one.view.bristles,
                               one.view.through, one.view.depth_mm, one.thin_class}) {
      write_mat(out, mat);
    }
  }
  return result;
}

MaskSet mask_set(const RenderedBody& body, MaskBackdrop backdrop) {
  const demo::Backdrop shade = backdrop_of(backdrop, body.body.seed);
  const cv::Mat behind = backdrop_image(shade, body.rig.camera);
  demo::Sensor sensor;
  sensor.seed = body.body.seed;
  MaskSet set;
  for (std::size_t k = 0; k < body.views.size(); ++k) {
    const demo::RenderedView& view = body.views[k].view;
    const cv::Mat ideal = view.colour + behind.mul(three(view.through));
    const cv::Mat colour =
        backdrop == MaskBackdrop::glow ? fused_slices(view.colour, view, behind) : ideal;
    set.images.push_back(demo::expose(colour, sensor, body.rig.camera, k));
    cv::Mat telling(view.coverage.size(), CV_8U, cv::Scalar(255));
    for (int y = 0; y < telling.rows; ++y) {
      for (int x = 0; x < telling.cols; ++x) {
        if (view.coverage.at<uchar>(y, x) == 0) continue;
        const auto& at = behind.at<cv::Vec3f>(y, x);
        const cv::Vec3f away = ideal.at<cv::Vec3f>(y, x) - at;
        const double variance =
            sensor.noise_floor + sensor.noise_slope * (at[0] + at[1] + at[2]) / 3.0;
        if (away.dot(away) < 9.0 * variance) telling.at<uchar>(y, x) = 0;
      }
    }
    set.telling.push_back(telling);
  }
  return set;
}

MaskSetScore score_masks(const RenderedBody& body, const MaskSet& set,
                         const std::vector<mask::MaskResult>& masks) {
  MaskSetScore score;
  std::array<double, 3> kept{};
  std::array<double, 3> true_thin{};
  const auto count = static_cast<double>(masks.size());
  for (std::size_t k = 0; k < masks.size(); ++k) {
    const cv::Mat& ours = masks[k].coverage;
    const cv::Mat& truth = body.views[k].view.coverage;
    const cv::Mat& telling = set.telling[k];
    const double whole = cv::sum(truth)[0];
    cv::Mat least;
    cv::Mat most;
    cv::min(ours, truth, least);
    cv::max(ours, truth, most);
    least.setTo(0, ~telling);
    most.setTo(0, ~telling);
    const double overlap = cv::sum(least)[0] / std::max(1.0, cv::sum(most)[0]);
    score.overlaps.push_back(overlap);
    score.predicted += masks[k].measures.predicted_overlap / count;
    score.overlap += overlap / count;
    score.worst = std::min(score.worst, overlap);
    score.boundary += boundary_f(ours, truth) / count;
    cv::Mat left_out = truth.clone();
    left_out.setTo(0, telling);
    score.no_contrast += cv::sum(left_out)[0] / whole / count;
    cv::Mat near_truth;
    cv::dilate(truth > 127, near_truth, cv::Mat());
    const double filled =
        cv::countNonZero((truth <= 12) & (ours > 127) & ~near_truth) / (whole / 255.0);
    score.filled += filled / count;
    score.worst_filled = std::max(score.worst_filled, filled);
    score.size_px += std::sqrt(whole / 255.0) / count;
    for (std::size_t c = 0; c < 3; ++c) {
      const cv::Mat here = (body.views[k].thin_class == static_cast<int>(c + 1)) & telling;
      cv::Mat part = ours.clone();
      part.setTo(0, ~here);
      kept[c] += cv::sum(part)[0];
      part = truth.clone();
      part.setTo(0, ~here);
      true_thin[c] += cv::sum(part)[0];
    }
  }
  for (std::size_t c = 0; c < 3; ++c) {
    score.thin[c] = true_thin[c] > 255.0 * 200 ? kept[c] / true_thin[c] : 0.0;
  }
  return score;
}

SurveyResult survey_set(const MaskSet& set) {
  return survey::survey(survey::survey_stations({set.images.size()}, {}),
                        [&](std::size_t k) { return set.images[k].clone(); }, std::nullopt,
                        BackdropKind::automatic, {});
}

std::vector<mask::MaskResult> masks_of(const MaskSet& set, const SurveyResult& survey) {
  std::vector<mask::MaskResult> masks;
  for (const cv::Mat& image : set.images) masks.push_back(mask::make_mask(image, survey, {}, 0));
  return masks;
}

}  // namespace trunnion::test
