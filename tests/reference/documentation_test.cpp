// The examples of docs/formats.md are what is written: each fenced block "text NAME" must stand in
// the output of that name, in pieces between lines of three dots. Links lead somewhere, pages of
// docs/decisions are short, and docs/safety.md holds the cautions that the program prints.
#include <gtest/gtest.h>

#include <filesystem>
#include <iterator>
#include <map>
#include <regex>
#include <sstream>

#include "core/angle.h"
#include "core/cautions.h"
#include "core/files.h"
#include "core/hash.h"
#include "core/turntable.h"
#include "stages/annotate/annotate.h"
#include "stages/exports/exports.h"
#include "tests/support/open_data.h"
#include "tests/support/samples.h"

namespace trunnion {
namespace documentation_test {

Scene example_scene() {
  Scene scene = test::sample_scene();
  scene.views.resize(2);
  const Axis axis = nominal_axis(210.0, radians(15.0));
  for (std::size_t i = 0; i < 2; ++i) {
    View& view = scene.views[i];
    view.stage_angle = radians(45.0 * static_cast<double>(i));
    view.pose = view.prior = pose_at(axis, view.stage_angle);
  }
  return scene;
}

std::map<std::string, std::string> outputs() {
  const Scene scene = example_scene();
  std::map<std::string, std::string> texts{
      {"cameras.json", exports::cameras_json(scene)},
      {"exterior.csv", exports::exterior_csv(scene)},
      {"poses_matrix.csv", exports::poses_matrix_csv(scene)},
      {"poses_quaternion.csv", exports::poses_quaternion_csv(scene)},
      {"cameras.gltf", exports::cameras_gltf(scene, nullptr)},
      {"camera.yml", exports::camera_yml(scene)},
      {"centres.ply", exports::centres_ply(scene)},
      {"tie_points.ply", exports::tie_points_ply(scene)},
      {"scale.csv", exports::scale_csv(scene)}};
  TemplateSettings settings;
  settings.y_up = true;
  settings.looks_along_z = false;
  settings.corner_is_origin = true;
  settings.length = "m";
  for (const char* name : {"matrix", "views", "document"}) {
    settings.file =
        test::source_folder() / "config" / "templates" / (std::string(name) + ".mustache");
    settings.name = std::string(name) + (std::string(name) == "document" ? ".xml" : ".txt");
    texts[name] = exports::render_template(scene, settings).at(0).second;
  }
  annotate::AnnotationInput input;
  input.source_hash = hash_bytes("fused");
  input.frames = 61;
  const annotate::Annotation annotation =
      annotate::make_annotation(scene, 0, test::sample_setup(), {}, {}, input);
  std::string& exif = texts["exif"];
  for (const Exiv2::Exifdatum& datum : annotation.metadata.exif) {
    exif += datum.tagName() + " = " + datum.toString() + "\n";
  }
  texts["xmp"] = xmp_packet(annotation.metadata.xmp, true);
  return texts;
}

TEST(Documentation, ExamplesOfFormatsAreWhatIsWritten) {
  const auto texts = outputs();
  std::istringstream page(read_file(test::source_folder() / "docs" / "formats.md"));
  std::map<std::string, int> checked;
  std::string line;
  while (std::getline(page, line)) {
    if (!line.starts_with("```text ")) continue;
    const std::string name = line.substr(8);
    ASSERT_TRUE(texts.contains(name)) << name;
    std::string piece;
    const auto check = [&] {
      if (piece.empty()) return;
      piece.pop_back();  // the last line may be the beginning of one
      EXPECT_NE(texts.at(name).find(piece), std::string::npos) << name << ":\n" << piece;
      piece.clear();
      ++checked[name];
    };
    while (std::getline(page, line) && line != "```") {
      if (line == "...") {
        check();
      } else if (name == "exif") {
        piece = line + "\n";
        check();  // tag by tag, since their order says nothing
      } else {
        piece += line + "\n";
      }
    }
    check();
  }
  EXPECT_EQ(checked.size(), texts.size()) << "every format has its example";
}

std::vector<fs::path> pages() {
  std::vector<fs::path> found{test::source_folder() / "README.md",
                              test::source_folder() / "DEVELOPERS.md"};
  for (const auto& entry : fs::recursive_directory_iterator(test::source_folder() / "docs")) {
    if (entry.path().extension() == ".md") found.push_back(entry.path());
  }
  return found;
}

TEST(Documentation, LinksLeadToFiles) {
  const std::regex link(R"(\]\(([^)#:]+)(#[^)]*)?\))");
  int checked = 0;
  for (const fs::path& page : pages()) {
    const std::string text = read_file(page);
    for (std::sregex_iterator at(text.begin(), text.end(), link), end; at != end; ++at) {
      EXPECT_TRUE(fs::exists(page.parent_path() / (*at)[1].str()))
          << page.filename().string() << ": " << (*at)[1].str();
      ++checked;
    }
  }
  EXPECT_GT(checked, 40);
}

TEST(Documentation, DecisionsAreShortAndListed) {
  const fs::path folder = test::source_folder() / "docs" / "decisions";
  const std::string index = read_file(folder / "README.md");
  int count = 0;
  for (const auto& entry : fs::directory_iterator(folder)) {
    const std::string name = entry.path().filename().string();
    std::istringstream words(read_file(entry.path()));
    const auto length = std::distance(std::istream_iterator<std::string>(words), {});
    if (name == "README.md") continue;
    EXPECT_LE(length, 300) << name;
    EXPECT_NE(index.find("(" + name + ")"), std::string::npos) << name;
    ++count;
  }
  EXPECT_GT(count, 10);
}

// One wording each: what plan, shot list and report show is what the page says.
TEST(Documentation, SafetyPageHoldsTheCautionsThatAreShown) {
  const std::string page = read_file(test::source_folder() / "docs" / "safety.md");
  EXPECT_NE(page.find(cautions_rule()), std::string::npos);
  for (const Caution& caution : cautions()) {
    EXPECT_NE(page.find(caution.text), std::string::npos) << caution.subject;
  }
}

}  // namespace documentation_test
}  // namespace trunnion
