// A membrane lets part of the light behind it pass, and covers its pixels whole all the same.
#include <gtest/gtest.h>

#include "datasets/render.h"
#include "datasets/rig.h"

namespace trunnion::demo {
namespace {

// Two sheets across the view, the nearer one half as high.
class Sheets : public SpecimenModel {
 public:
  explicit Sheets(double transmission)
      : SpecimenModel({.seed = 1, .object_pixel_mm = 0.05},
                      {ellipsoid(Part::leg, {0, 0, 0}, {0.01, 3, 3}),
                       ellipsoid(Part::leg, {1, 0, 0}, {0.01, 3, 1.5})}),
        transmission_(transmission) {}
  [[nodiscard]] Surface surface_at(const Hit& /*hit*/,
                                   const Eigen::Vector3d& /*point*/) const override {
    Surface surface;
    surface.normal = Eigen::Vector3d::UnitX();
    surface.transmission = transmission_;
    return surface;  // black: all light comes from behind
  }

 private:
  double transmission_;
};

TEST(Membrane, PassesItsShareOfTheBackdropsLightOnceASheet) {
  const Rig rig = make_rig({.width_px = 240, .height_px = 160, .rings = 1, .stations = 1});
  const Backdrop grey{BackdropShade::grey, false, 1, 0.0};
  const RenderedView view = render_specimen(Sheets(0.6), rig.camera, rig.pose(0, 0),
                                            rig.rings[0].camera_from_stage(false), grey);
  const auto at = [&](int x, int y) {
    return std::pair(view.coverage.at<std::uint8_t>(y, x), view.through.at<float>(y, x));
  };
  const auto [covered, through] = at(120, 80);  // both sheets
  EXPECT_EQ(covered, 255);
  EXPECT_NEAR(through, 0.36F, 1e-4F);
  const auto [covered_high, through_high] = at(120, 80 - 28);  // the farther one alone
  EXPECT_EQ(covered_high, 255);
  EXPECT_NEAR(through_high, 0.6F, 1e-4F);
  EXPECT_EQ(at(3, 3).first, 0);
  EXPECT_FLOAT_EQ(at(3, 3).second, 1.0F);
  const Eigen::Vector2d pixel(120, 80);
  const Eigen::Vector3d behind =
      backdrop_colour(grey, rig.camera, pixel, backdrop_cloud(grey, rig.camera, pixel));
  EXPECT_NEAR(view.colour.at<cv::Vec3f>(80, 120)[1], 0.36 * behind.y(), 2e-3);
}

}  // namespace
}  // namespace trunnion::demo
