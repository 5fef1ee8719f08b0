#include <gtest/gtest.h>

#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <sstream>

#include "stages/exports/exports.h"
#include "tests/support/samples.h"

namespace trunnion::exports {
namespace pose_state_test {

// The last cell of every row below the names of the columns.
std::vector<std::string> last_cells(const std::string& csv) {
  std::vector<std::string> cells;
  std::istringstream lines(csv);
  std::string line;
  while (std::getline(lines, line)) {
    if (!line.starts_with('#')) cells.push_back(line.substr(line.rfind(',') + 1));
  }
  cells.erase(cells.begin());
  return cells;
}

// A pose that the images contradict is marked where a format can say so, and left out where it
// can't.
TEST(Export, ContradictedPosesAreMarkedOrLeftOut) {
  Scene scene = test::sample_scene();
  for (View& view : scene.views) view.state = PoseState::confirmed;
  scene.views[1].state = PoseState::contradicted;
  const std::string left_out = scene.views[1].image_file;
  const auto json = nlohmann::json::parse(cameras_json(scene));
  EXPECT_EQ(json["views"][0]["state"], "confirmed");
  EXPECT_EQ(json["views"][1]["state"], "contradicted");
  const auto gltf = nlohmann::json::parse(cameras_gltf(scene, nullptr));
  std::vector<std::string> states;
  for (const auto& node : gltf["nodes"]) {
    if (node.contains("camera")) states.push_back(node["extras"]["pose_state"]);
  }
  ASSERT_EQ(states.size(), scene.views.size());
  EXPECT_EQ(states[1], "contradicted");
  const std::vector<std::string> exterior = last_cells(exterior_csv(scene));
  ASSERT_EQ(exterior.size(), scene.views.size());
  EXPECT_EQ(exterior[1], "contradicted");
  for (const std::string& text : {poses_matrix_csv(scene), poses_quaternion_csv(scene)}) {
    EXPECT_EQ(last_cells(text).size(), scene.views.size() - 1);
    EXPECT_EQ(text.find(left_out), std::string::npos);
  }
  EXPECT_EQ(scale_csv(scene).find(left_out), std::string::npos);
  EXPECT_NE(centres_ply(scene).find(fmt::format("element vertex {}\n", scene.views.size() - 1)),
            std::string::npos);
  TemplateSettings settings;
  settings.name = "views.txt";
  const std::string list = "{{#views}}{{image}}\n{{/views}}";
  EXPECT_EQ(render_template_text(scene, settings, list, "t")[0].second.find(left_out),
            std::string::npos);
  const std::string marked = "{{#views}}{{image}} {{pose_state}}\n{{/views}}";
  EXPECT_NE(
      render_template_text(scene, settings, marked, "t")[0].second.find(left_out + " contradicted"),
      std::string::npos);
}

}  // namespace pose_state_test
}  // namespace trunnion::exports
