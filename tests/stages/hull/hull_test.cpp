#include "stages/hull/hull.h"

#include <gtest/gtest.h>
#include <tbb/global_control.h>

#include <Eigen/Geometry>
#include <cmath>
#include <cstring>
#include <nlohmann/json.hpp>
#include <opencv2/imgproc.hpp>

#include "core/angle.h"
#include "core/hash.h"
#include "stages/hull/field.h"
#include "tests/support/hull_truth.h"

namespace trunnion::hull {
namespace hull_test {

Camera camera() {
  Camera result;
  result.width_px = 240;
  result.height_px = 200;
  result.fx = result.fy = 600;
  result.cx = 119.5;
  result.cy = 99.5;
  return result;
}

// A ring at the axis's height, 60 mm away, looking at the origin; +Z up.
std::vector<HullView> ring(int count, double elevation = 0) {
  std::vector<HullView> views;
  for (int k = 0; k < count; ++k) {
    const double azimuth = 2.0 * kPi * k / count;
    const Eigen::Vector3d out(std::cos(elevation) * std::cos(azimuth),
                              std::cos(elevation) * std::sin(azimuth), std::sin(elevation));
    Pose pose;
    pose.R.row(2) = -out.transpose();
    pose.R.row(0) = Eigen::Vector3d(-std::sin(azimuth), std::cos(azimuth), 0).transpose();
    pose.R.row(1) = pose.R.row(2).cross(pose.R.row(0));
    pose.t = Eigen::Vector3d(0, 0, 60);
    views.push_back({.name = "view " + std::to_string(k),
                     .ring = "mid",
                     .station = k,
                     .camera = camera(),
                     .pose = pose});
  }
  return views;
}

// Whether a ray from `eye` meets what stands there.
using Body = std::function<bool(const Eigen::Vector3d& eye, const Eigen::Vector3d& direction)>;

Body ball(const Eigen::Vector3d& centre, double radius) {
  return [=](const Eigen::Vector3d& eye, const Eigen::Vector3d& direction) {
    return (centre - eye).cross(direction).norm() <= radius;
  };
}

// A rod of a radius between two points.
Body rod(const Eigen::Vector3d& a, const Eigen::Vector3d& b, double radius) {
  return [=](const Eigen::Vector3d& eye, const Eigen::Vector3d& direction) {
    // The nearest point of the rod's axis to the ray, clamped to its ends.
    const Eigen::Vector3d across = (b - a) - direction * direction.dot(b - a);
    const double share = -across.dot(a - eye) / across.squaredNorm();
    const Eigen::Vector3d p = a + std::clamp(share, 0.0, 1.0) * (b - a);
    return (p - eye).cross(direction).norm() <= radius;
  };
}

cv::Mat coverage(const HullView& view, const Body& body) {
  constexpr int kSub = 4;
  cv::Mat mask(view.camera.height_px, view.camera.width_px, CV_8U);
  for (int v = 0; v < mask.rows; ++v) {
    for (int u = 0; u < mask.cols; ++u) {
      int hits = 0;
      for (int k = 0; k < kSub * kSub; ++k) {
        const double x = u - 0.5 + (k % kSub + 0.5) / kSub;
        const double y = v - 0.5 + (k / kSub + 0.5) / kSub;
        const Eigen::Vector3d at((x - view.camera.cx) / view.camera.fx,
                                 (y - view.camera.cy) / view.camera.fy, 1.0);
        hits += body(view.pose.centre_mm(), (view.pose.R.transpose() * at).normalized()) ? 1 : 0;
      }
      mask.at<std::uint8_t>(v, u) = static_cast<std::uint8_t>(hits * 255 / (kSub * kSub));
    }
  }
  return mask;
}

std::vector<cv::Mat> masks_of(const std::vector<HullView>& views, const Body& body) {
  std::vector<cv::Mat> masks;
  for (const HullView& view : views) masks.push_back(coverage(view, body));
  return masks;
}

Hull hull_of(const std::vector<HullView>& views, const std::vector<cv::Mat>& masks,
             const HullOptions& options = {}) {
  return build_hull(
      views, [&](std::size_t k) { return masks[k]; }, options);
}

double mean_distance(const Mesh& mesh, const std::function<double(const Eigen::Vector3d&)>& off) {
  double sum = 0;
  for (const Eigen::Vector3f& vertex : mesh.vertices) sum += std::abs(off(vertex.cast<double>()));
  return sum / static_cast<double>(mesh.vertices.size());
}

TEST(HullField, GivesTheDistanceToASlantedEdge) {
  // Coverage of a half plane: x cos a + y sin a <= c, by 16 x 16 samples a pixel.
  const double a = radians(27.0);
  cv::Mat mask(40, 60, CV_8U);
  const auto inward = [&](double x, double y) { return 30.3 - x * std::cos(a) - y * std::sin(a); };
  for (int y = 0; y < mask.rows; ++y) {
    for (int x = 0; x < mask.cols; ++x) {
      int hits = 0;
      for (int k = 0; k < 256; ++k) {
        hits += inward(x - 0.5 + (k % 16 + 0.5) / 16, y - 0.5 + (k / 16 + 0.5) / 16) > 0 ? 1 : 0;
      }
      mask.at<std::uint8_t>(y, x) = cv::saturate_cast<std::uint8_t>(hits * 255.0 / 256.0);
    }
  }
  const cv::Mat distance = signed_distance(mask, 0);
  for (int y = 8; y < mask.rows - 8; ++y) {
    for (int x = 8; x < mask.cols - 8; ++x) {
      const double truth = inward(x, y);
      if (std::abs(truth) < 4) {
        EXPECT_NEAR(distance.at<float>(y, x), truth, 0.2) << x << ' ' << y;
      }
    }
  }
}

// Of a full ring at its height a ball's hull is the ball but for the poles, whose tangent cones
// reach further by little.
TEST(Hull, OfABallIsTheBall) {
  const std::vector<HullView> views = ring(36);
  const Eigen::Vector3d centre(0.7, -0.4, 0.2);
  const double radius = 5.0;
  const Hull hull = hull_of(views, masks_of(views, ball(centre, radius)));
  ASSERT_TRUE(test::is_closed(hull.mesh));
  EXPECT_NEAR(test::volume_of(hull.mesh), 4.0 / 3.0 * kPi * std::pow(radius, 3), 0.015 * 523.6);
  EXPECT_LT(mean_distance(hull.mesh, [&](const auto& p) { return (p - centre).norm() - radius; }),
            0.1)
      << "mm: a pixel's footprint";
  const Eigen::Vector3d out = (hull.mesh.vertices[0].cast<double>() - centre).normalized();
  EXPECT_GT(hull.mesh.normals[0].cast<double>().dot(out), 0.8) << "outward";
}

TEST(Hull, KeepsARodThinnerThanAPixel) {
  const std::vector<HullView> views = ring(24);
  // 0.8 px wide.
  const Body thin = rod({-3, 1, -4}, {4, -2, 5}, 0.04);
  const Body thick = ball({-3, 1, -4}, 1.5);
  const std::vector<cv::Mat> masks = masks_of(views, [&](const auto& eye, const auto& direction) {
    return thin(eye, direction) || thick(eye, direction);
  });
  const auto kept = [&](const Hull& hull) {
    int found = 0;
    for (int k = 0; k < 100; ++k) {
      const Eigen::Vector3d p =
          Eigen::Vector3d(-3, 1, -4) + (0.25 + 0.74 * k / 100) * Eigen::Vector3d(7, -3, 9);
      for (const Eigen::Vector3f& vertex : hull.mesh.vertices) {
        if ((vertex.cast<double>() - p).norm() < 0.25) {
          ++found;
          break;
        }
      }
    }
    return found;
  };
  EXPECT_GE(kept(hull_of(views, masks)), 99);
  EXPECT_LT(kept(hull_of(views, masks, {.thin_radius_px = 0})), 60) << "what the widening is for";
}

TEST(Hull, OfASpecimenThatLeavesTheFrameIsClosedThere) {
  const std::vector<HullView> views = ring(24);
  const Body pin = rod({0, 0, -30}, {0, 0, 2}, 1.0);
  const Hull hull = hull_of(views, masks_of(views, pin));
  ASSERT_TRUE(test::is_closed(hull.mesh));
  for (const ViewAgreement& view : hull.views) EXPECT_TRUE(view.cut);
  float low = 0;
  for (const Eigen::Vector3f& vertex : hull.mesh.vertices) low = std::min(low, vertex.z());
  EXPECT_NEAR(low, -10.0, 0.3) << "the frame's lower edge: 100 px of 0.1 mm";
}

TEST(Hull, StaysWithinTheTriangles) {
  const std::vector<HullView> views = ring(12);
  const std::vector<cv::Mat> masks = masks_of(views, ball({0, 0, 0}, 5));
  const Hull coarse = hull_of(views, masks, {.most_triangles = 5000});
  EXPECT_LE(coarse.mesh.triangles.size(), 5000U);
  EXPECT_GT(coarse.mesh.triangles.size(), 2500U);
  EXPECT_TRUE(test::is_closed(coarse.mesh));
}

TEST(Hull, IsTheSameWithAnyNumberOfThreads) {
  const std::vector<HullView> views = ring(12);
  const std::vector<cv::Mat> masks = masks_of(views, ball({1, 0, 0}, 5));
  const auto bytes = [&](std::size_t threads) {
    const tbb::global_control limit(tbb::global_control::max_allowed_parallelism, threads);
    Hull hull = hull_of(views, masks);
    colour_mesh(hull.mesh, views, [&](std::size_t k) {
      cv::Mat picture;
      cv::cvtColor(masks[k], picture, cv::COLOR_GRAY2BGR);
      return picture;
    });
    return hull_ply(hull.mesh);
  };
  EXPECT_EQ(hash_bytes(bytes(1)), hash_bytes(bytes(8)));
}

TEST(Hull, WithoutEnoughSilhouettesSaysSo) {
  const std::vector<HullView> views = ring(4);
  std::vector<cv::Mat> masks = masks_of(views, ball({0, 0, 0}, 5));
  masks[0] = masks[1] = cv::Mat::zeros(masks[0].size(), CV_8U);
  const Hull hull = hull_of(views, masks);
  EXPECT_TRUE(hull.mesh.triangles.empty());
  ASSERT_EQ(hull.findings.size(), 1U);
  EXPECT_NE(hull.findings[0].what.find("fewer than three views"), std::string::npos);
}

// Each side of a ball is painted as the views on that side see it.
TEST(Hull, TakesItsColoursFromTheViewsThatSeeThem) {
  const std::vector<HullView> views = ring(12);
  Hull hull = hull_of(views, masks_of(views, ball({0, 0, 0}, 5)));
  colour_mesh(hull.mesh, views, [&](std::size_t k) {
    const bool front = views[k].pose.centre_mm().x() > 0;
    return cv::Mat(100, 120, CV_8UC3, front ? cv::Scalar(0, 0, 200) : cv::Scalar(200, 0, 0));
  });
  ASSERT_EQ(hull.mesh.rgb.size(), hull.mesh.vertices.size());
  for (std::size_t k = 0; k < hull.mesh.vertices.size(); ++k) {
    if (hull.mesh.vertices[k].x() > 4) {
      EXPECT_GT(hull.mesh.rgb[k][0], 180);
    }
    if (hull.mesh.vertices[k].x() < -4) {
      EXPECT_GT(hull.mesh.rgb[k][2], 180);
    }
  }
}

TEST(Hull, DrawnIntoAViewIsItsSilhouette) {
  const std::vector<HullView> views = ring(24);
  const std::vector<cv::Mat> masks = masks_of(views, ball({1, 0.5, 0}, 5));
  const Hull hull = hull_of(views, masks);
  for (const std::size_t k : {0U, 7U}) {
    const cv::Mat drawn = draw_outline(hull.mesh, views[k].camera, views[k].pose);
    const cv::Mat silhouette = masks[k] > 127;
    const double both = cv::countNonZero(drawn & silhouette);
    EXPECT_GT(both / cv::countNonZero(drawn | silhouette), 0.985);
  }
}

// Bars of the hull, at a size that a test can afford; tests/bench/hull_bars holds them at 2
// megapixels.
TEST(Hull, AgreesWithTheHullOfTheTrueSilhouettes) {
  const test::HullSet set =
      test::hull_set("pebble", 1001, {.width_px = 480, .height_px = 320, .stations = 12});
  const Hull hull = hull_of(set.views, set.masks);
  ASSERT_TRUE(test::is_closed(hull.mesh));
  const test::HullScore score = test::score_hull(set, hull.mesh, 200000);
  EXPECT_NEAR(score.volume_ratio, 1.0, 0.01 + 2.0 * score.volume_sigma);
  EXPECT_LT(score.mean_distance_px, 1.0);
}

// A mask that lacks a limb is named with the limb's place, the others are not.
TEST(Hull, NamesTheViewThatLacksAPart) {
  const std::vector<HullView> views = ring(24);
  const Body body = ball({0, 0, 0}, 3);
  const Body limb = rod({0, 0, 0}, {0, 0, 7}, 0.6);
  std::vector<cv::Mat> masks = masks_of(views, [&](const auto& eye, const auto& direction) {
    return body(eye, direction) || limb(eye, direction);
  });
  masks[5](cv::Rect(0, 0, 240, 55)) = 0;  // from z = 4.5 mm on
  const Hull hull = hull_of(views, masks);
  int named = 0;
  for (const Finding& finding : hull.findings) {
    if (finding.what.find("lacks specimen") == std::string::npos) continue;
    ++named;
    EXPECT_EQ(finding.file, "view 5");
  }
  EXPECT_EQ(named, 1);
  EXPECT_NEAR(hull.views[5].region.y + hull.views[5].region.height, 55, 4);
}

TEST(Hull, MeasuresARodAndMarksWhatNoCameraSawFromTheSide) {
  const Body body = rod({0, 0, -3}, {0, 0, 5}, 1.5);  // 11 mm with its round ends, 3 mm across
  const std::vector<HullView> level = ring(36);
  const Hull seen = hull_of(level, masks_of(level, body));
  EXPECT_NEAR(seen.measures.height.length_mm, 11.0, 0.003 * 11.0 + 2 * 0.1);
  EXPECT_NEAR(seen.measures.width.length_mm, 3.0, 0.1);
  EXPECT_FALSE(seen.measures.height.upper_bound);
  const std::vector<HullView> above = ring(36, radians(35.0));
  const Hull from_above = hull_of(above, masks_of(above, body));
  EXPECT_TRUE(from_above.measures.height.upper_bound);
  EXPECT_GT(from_above.measures.height.length_mm, 11.0);
}

}  // namespace hull_test
}  // namespace trunnion::hull
