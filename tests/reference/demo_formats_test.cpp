// Every file that prepare exports, read by a program that is not ours (read_formats.py: Python's
// standard library, exiftool for the images), rebuilds projection alone. The points are the demo's
// truth points.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdlib>
#include <map>
#include <sstream>

#include "core/files.h"
#include "tests/support/open_data.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace demo_formats_test {

// All conventions of the text templates, each example in each.
std::string all_templates() {
  std::string toml;
  int i = 0;
  const std::array<const char*, 4> lengths{"um", "mm", "cm", "m"};
  const std::array<const char*, 3> names{"path", "file", "name"};
  for (const char* file : {"matrix", "views", "document"}) {
    for (const char* y : {"down", "up"}) {
      for (const char* z : {"+z", "-z"}) {
        for (const char* origin : {"centre", "corner"}) {
          for (const char* angle : {"deg", "rad"}) {
            const bool xml = std::string(file) == "document";
            toml += "[[output.template]]\nfile = \"" + std::string(file) + "\"\nname = \"text/" +
                    file + std::to_string(i) + (xml ? ".xml" : ".txt") + "\"\ny_axis = \"" + y +
                    "\"\nlooks_along = \"" + z + "\"\npixel_origin = \"" + origin +
                    "\"\nangle = \"" + angle + "\"\nlength = \"" +
                    lengths[static_cast<std::size_t>(i % 4)] + "\"\nimage_names = \"" +
                    names[static_cast<std::size_t>(i % 3)] + "\"\n";
            ++i;
          }
        }
      }
    }
  }
  return toml + "[[output.template]]\nfile = \"one.mustache\"\nname = \"each/{name}.txt\"\n";
}

std::map<std::string, double> read_back(const test::SmallSet& set) {
  const fs::path script = test::source_folder() / "tests" / "reference" / "read_formats.py";
  const fs::path tags = set.root() / "tags.json";
  const fs::path out = set.root() / "read.txt";
  const auto quoted = [](const fs::path& path) { return " '" + path.string() + "'"; };
  std::string command =
      "exiftool -j -n -struct -G1 -ext tif -ext xmp" + quoted(set.prepared() / "images") + " >" +
      quoted(tags) + " 2>/dev/null && python3" + quoted(script) + quoted(set.prepared()) +
      quoted(set.root() / "truth" / "points.csv") + quoted(tags) + " >" + quoted(out) + " 2>&1";
  EXPECT_EQ(std::system(command.c_str()), 0)  // NOLINT(cert-env33-c): fixed text, paths of ours
      << read_file(out);
  std::map<std::string, double> found;
  std::istringstream lines(read_file(out));
  std::string name;
  std::string value;
  while (lines >> name >> value) found[name] = std::strtod(value.c_str(), nullptr);
  return found;
}

// What exiftool's validation says of the prepared images, all but "OK".
std::string complaints(const test::SmallSet& set) {
  const fs::path out = set.root() / "validate.txt";
  const std::string command = "exiftool -q -s3 -a -validate -warning -error -ext tif '" +
                              (set.prepared() / "images").string() + "' 2>&1 | grep -v '^OK$' >'" +
                              out.string() + "'";
  (void)std::system(command.c_str());  // NOLINT(cert-env33-c): fixed text, paths of ours
  return read_file(out);
}

class DemoFormats : public testing::TestWithParam<demo::FusionHabit> {};
INSTANTIATE_TEST_SUITE_P(Cameras, DemoFormats,
                         testing::Values(demo::FusionHabit::rescaled,
                                         demo::FusionHabit::orthographic),
                         [](const auto& habit) {
                           return habit.param == demo::FusionHabit::rescaled ? "Perspective"
                                                                             : "Telecentric";
                         });

// Bars: 0.001 px for formats of double precision, 0.01 px for glTF.
TEST_P(DemoFormats, EachFileAloneProjectsTheTruthPoints) {
  if (std::system("command -v exiftool >/dev/null && command -v python3 >/dev/null") != 0) {
    GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl or python3 is not installed";
  }
  demo::DemoOptions options = test::SmallSet::small_options();
  options.stations = 6;
  options.habit = GetParam();
  const test::SmallSet set(true, options);
  write_file(
      set.workspace() / "one.mustache",
      "{{image}} {{fx}} {{fy}} {{cx}} {{cy}} {{r11}} {{r12}} {{r13}} {{r21}} {{r22}} {{r23}} "
      "{{r31}} {{r32}} {{r33}} {{tx}} {{ty}} {{tz}}\n");
  set.add_settings("[refine]\nenabled = false\n[output]\nsidecar = true\n" + all_templates());
  (void)set.prepare();
  EXPECT_EQ(complaints(set), "");
  const auto found = read_back(set);
  double text = 0;
  for (const auto& [name, worst] : found) {
    EXPECT_LE(worst, name == "cameras.gltf" ? 0.01 : 0.001) << name;
    if (name != "cameras.gltf") text = std::max(text, worst);
  }
  std::printf("%zu files, largest %.2g px; glTF %.2g px\n", found.size(), text,
              found.at("cameras.gltf"));
  const std::size_t expected = GetParam() == demo::FusionHabit::rescaled ? 59 : 58;
  EXPECT_EQ(found.size(), expected);
}

}  // namespace demo_formats_test
}  // namespace trunnion
