// Every format read by programs that are not ours. Each test skips, saying why, where its program
// is not installed (docs/datasets.md, tests/reference/package.json).
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <nlohmann/json.hpp>
#include <sstream>

#include "core/files.h"
#include "core/hash.h"
#include "core/image_io.h"
#include "core/text.h"
#include "stages/annotate/annotate.h"
#include "stages/exports/exports.h"
#include "stages/hull/hull.h"
#include "tests/support/open_data.h"
#include "tests/support/rich_metadata.h"
#include "tests/support/samples.h"

namespace trunnion {
namespace formats_test {

struct Outcome {
  int exit_code = -1;
  std::string out;
};

// Runs a fixed command line of this file on paths of a temporary folder of ours.
Outcome run(const std::string& command) {
  Outcome result;
  std::FILE* pipe = popen((command + " 2>&1").c_str(), "r");  // NOLINT(cert-env33-c): fixed text
  if (pipe == nullptr) return result;
  std::string part(4096, '\0');
  std::size_t got = 0;
  while ((got = std::fread(part.data(), 1, part.size(), pipe)) > 0) result.out.append(part, 0, got);
  const int status = pclose(pipe);
  result.exit_code = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  return result;
}

bool installed(const std::string& program) {
  return run("command -v " + program).exit_code == 0;
}

// A Python of the system that has the module; empty where there is none.
std::string python_with(const std::string& module) {
  for (const char* python : {"/usr/bin/python3", "python3"}) {
    if (run(std::string(python) + " -c 'import " + module + "'").exit_code == 0) return python;
  }
  return "";
}

annotate::Annotation annotation_of(FileType type, const Metadata& source,
                                   const OutputSettings& output = {}) {
  annotate::AnnotationInput input;
  input.type = type;
  input.source_hash = hash_bytes("fused");
  input.frames = 61;
  input.history = {"repair: 3 spots filled", "undistort: cubic"};
  return annotate::make_annotation(test::sample_scene(), 3, test::sample_setup(), source, output,
                                   input);
}

// All a source may hold, without the maker note (its make-believe bytes are none that a reader of
// maker notes could take).
Metadata carried_source() {
  Metadata source = test::rich_metadata();
  source.exif.erase(source.exif.findKey(Exiv2::ExifKey("Exif.Photo.MakerNote")));
  // exiftool asks for it in TIFF, though the standard leaves it open.
  source.exif["Exif.GPSInfo.GPSProcessingMethod"] = "charset=Ascii GPS";
  return source;
}

Metadata profile_only() {
  Metadata source;
  source.icc = test::icc_profile(false);
  return source;
}

fs::path annotated(const fs::path& folder, FileType type, int depth, bool compress = true,
                   const Metadata& source = profile_only()) {
  const fs::path file = folder / (std::string("view") + extension_of(type));
  write_image(file, test::sample_image(600, 400, depth, 3), {type, compress, 97});
  annotate::annotate(file, annotation_of(type, source));
  return file;
}

nlohmann::json exiftool_json(const fs::path& file) {
  return nlohmann::json::parse(run("exiftool -j -n -struct -G1 '" + file.string() + "'").out).at(0);
}

struct ImageCase {
  FileType type;
  int depth;
};
class ExifTool : public testing::TestWithParam<ImageCase> {};
INSTANTIATE_TEST_SUITE_P(AllTypes, ExifTool,
                         testing::Values(ImageCase{FileType::tiff, CV_8U},
                                         ImageCase{FileType::tiff, CV_16U},
                                         ImageCase{FileType::png, CV_8U},
                                         ImageCase{FileType::png, CV_16U},
                                         ImageCase{FileType::jpeg, CV_8U}));

// Independent reader: exiftool (Debian libimage-exiftool-perl).
TEST_P(ExifTool, ReadsEveryTagWithTheRightValue) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  const auto tags = exiftool_json(annotated(folder.path(), GetParam().type, GetParam().depth));
  const Scene scene = test::sample_scene();
  EXPECT_NEAR(tags["ExifIFD:FocalLength"], 208.42, 1e-6);  // 5210.5 px of 0.04 mm
  const double per_cm = tags["ExifIFD:FocalPlaneXResolution"];
  EXPECT_NEAR(per_cm * tags["ExifIFD:FocalLength"].get<double>() / 10, 5210.5, 1e-3);
  EXPECT_EQ(tags["ExifIFD:FocalPlaneResolutionUnit"], 3);
  EXPECT_EQ(tags["ExifIFD:FNumber"], 8);
  EXPECT_EQ(tags["ExifIFD:SubjectDistance"], 0.2);
  EXPECT_EQ(tags["ExifIFD:LensModel"], "macro lens 100 mm");
  EXPECT_EQ(tags["ExifIFD:LensSerialNumber"], "L-17");
  EXPECT_EQ(tags["IFD0:Model"], "bench body 1");
  EXPECT_EQ(tags["IFD0:Orientation"], 1);
  EXPECT_EQ(tags["ExifIFD:ImageUniqueID"].get<std::string>().size(), 32U);
  EXPECT_EQ(tags["ExifIFD:CompositeImage"], 2);
  EXPECT_EQ(tags["ExifIFD:CompositeImageCount"], "61 61");
  EXPECT_TRUE(tags["IFD0:Software"].get<std::string>().starts_with("trunnion "));
  // 16 at the sensor: 8 (1 + m) at 1:1, as the optics handbook has it.
  EXPECT_EQ(tags["XMP-trunnion:EffectiveFNumber"], 16);
  EXPECT_EQ(tags["XMP-trunnion:Ring"], "low");
  EXPECT_EQ(tags["XMP-trunnion:StageAngle_deg"], 135);
  EXPECT_EQ(tags["XMP-trunnion:MaskFile"], "masks/low_003.png");
  ASSERT_EQ(tags["XMP-trunnion:CameraFromWorld_rows"].size(), 9U);
  for (std::size_t i = 0; i < 9; ++i) {
    const auto& value = tags["XMP-trunnion:CameraFromWorld_rows"][i];
    const double number =
        value.is_string() ? std::stod(value.get<std::string>()) : value.get<double>();
    EXPECT_NEAR(number, scene.views[3].pose.R(static_cast<int>(i / 3), static_cast<int>(i % 3)),
                1e-12);
  }
  EXPECT_EQ(tags["XMP-xmpMM:History"].size(), 2U);
}

// `-validate -warning -a`: no complaint. exiftool takes TIFF 6.0's own codings only, so deflate (of
// a later supplement) would draw one; TIFF is LZW or uncompressed.
TEST_P(ExifTool, ValidatesWithoutComplaint) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  for (const bool compress : {false, true}) {
    const fs::path file = annotated(folder.path(), GetParam().type, GetParam().depth, compress);
    EXPECT_EQ(run("exiftool -s3 -a -validate -warning -error '" + file.string() + "'").out, "OK\n");
    if (GetParam().type == FileType::tiff) {
      EXPECT_EQ(run("exiftool -s3 -n -Compression '" + file.string() + "'").out,
                compress ? "5\n" : "1\n");
    }
  }
}

// The same of files that carry all a source can hold, with a setup's text in UTF-8.
TEST_P(ExifTool, ValidatesAllThatIsCarried) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  const fs::path file =
      annotated(folder.path(), GetParam().type, GetParam().depth, true, carried_source());
  EXPECT_EQ(run("exiftool -s3 -a -validate -warning -error '" + file.string() + "'").out, "OK\n");
}

std::vector<double> numbers_in(const std::string& text) {
  std::vector<double> values;
  std::istringstream words(text);
  std::string word;
  while (words >> word) {
    char* end = nullptr;
    const double value = std::strtod(word.c_str(), &end);
    if (*end == '/')
      values.push_back(value / std::strtod(end + 1, nullptr));
    else if (*end == '\0')
      values.push_back(value);
  }
  return values;
}

std::string text_of(const nlohmann::json& value) {
  return value.is_string() ? value.get<std::string>() : value.dump();
}

// Every tag written, found by its number, has the value that was meant.
TEST_P(ExifTool, ReadsEveryTagThatWasWritten) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  const Metadata source = carried_source();
  const fs::path file = annotated(folder.path(), GetParam().type, GetParam().depth, true, source);
  const Metadata meant = annotation_of(GetParam().type, source).metadata;
  const auto tags =
      nlohmann::json::parse(run("exiftool -j -n -D -G1 -a -u '" + file.string() + "'").out).at(0);
  const std::map<std::string, std::string> groups{
      {"Image", "IFD0:"}, {"Photo", "ExifIFD:"}, {"GPSInfo", "GPS:"}};
  int compared = 0;
  for (const Exiv2::Exifdatum& datum : meant.exif) {
    nlohmann::json found;
    for (const auto& [name, entry] : tags.items()) {
      if (name.starts_with(groups.at(datum.groupName())) && entry.is_object() &&
          entry.at("id") == datum.tag()) {
        found = entry.at("val");
      }
    }
    ASSERT_FALSE(found.is_null()) << datum.key();
    ++compared;
    if (datum.typeId() == Exiv2::undefined || datum.typeId() == Exiv2::comment) continue;
    if (datum.typeId() == Exiv2::asciiString) {
      // exiftool takes spaces off the end when it prints.
      std::string expected = datum.toString();
      expected.erase(expected.find_last_not_of(' ') + 1);
      EXPECT_EQ(text_of(found), expected) << datum.key();
      continue;
    }
    std::vector<double> expected = numbers_in(datum.toString());
    const std::vector<double> values = numbers_in(text_of(found));
    if (datum.key() == "Exif.GPSInfo.GPSLatitude") {  // printed in degrees
      expected = {expected[0] + expected[1] / 60 + expected[2] / 3600};
    }
    ASSERT_EQ(values.size(), expected.size()) << datum.key() << " " << found;
    for (std::size_t i = 0; i < values.size(); ++i) {
      EXPECT_NEAR(values[i], expected[i], 1e-8 * std::max(1.0, std::abs(expected[i])))
          << datum.key();
    }
  }
  EXPECT_GE(compared, 28);
}

// Every property of the project's namespace, likewise.
TEST_P(ExifTool, ReadsEveryPropertyThatWasWritten) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  const auto tags = exiftool_json(annotated(folder.path(), GetParam().type, GetParam().depth));
  int compared = 0;
  for (const Exiv2::Xmpdatum& datum : annotation_of(GetParam().type, {}).metadata.xmp) {
    if (datum.groupName() != kNamespacePrefix) continue;
    ASSERT_TRUE(tags.contains("XMP-trunnion:" + datum.tagName())) << datum.key();
    const nlohmann::json& found = tags["XMP-trunnion:" + datum.tagName()];
    const bool list = datum.typeId() != Exiv2::xmpText;
    ASSERT_EQ(found.is_array(), list) << datum.key();
    const long count = list ? datum.count() : 1;
    for (long i = 0; i < count; ++i) {
      const std::string expected = list ? datum.toString(i) : datum.toString();
      const std::string value = text_of(list ? found[static_cast<std::size_t>(i)] : found);
      // A number may come in another notation.
      EXPECT_TRUE(value == expected ||
                  std::strtod(value.c_str(), nullptr) == std::strtod(expected.c_str(), nullptr))
          << datum.key() << ": " << value << " for " << expected;
    }
    ++compared;
  }
  EXPECT_GE(compared, 30);
}

TEST_P(ExifTool, ExtractsTheProfileByteForByte) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const test::TemporaryFolder folder;
  const fs::path file = annotated(folder.path(), GetParam().type, GetParam().depth);
  EXPECT_EQ(run("exiftool -b -icc_profile '" + file.string() + "'").out, test::icc_profile(false));
}

// General RDF parser: rdflib (Debian python3-rdflib).
TEST(Formats, SidecarIsRdfXml) {
  const std::string python = python_with("rdflib");
  if (python.empty()) GTEST_SKIP() << "SKIPPED: python3-rdflib is not installed";
  const test::TemporaryFolder folder;
  OutputSettings output;
  output.sidecar = true;
  const annotate::Annotation annotation = annotation_of(FileType::tiff, {}, output);
  const fs::path sidecar = *annotate::write_sidecar(folder.path() / "view.tif", annotation);
  // The packet's x:xmpmeta element wraps the RDF; a general parser takes the RDF element.
  write_file(folder.path() / "read.py",
             "import re, rdflib, sys\n"
             "text = open(sys.argv[1]).read()\n"
             "rdf = re.search(r'<rdf:RDF.*</rdf:RDF>', text, re.S).group(0)\n"
             "g = rdflib.Graph().parse(data=rdf, format='xml')\n"
             "ns = rdflib.Namespace('https://trunnion.invalid/ns/1.0/')\n"
             "print([str(o) for o in g.objects(None, ns.Station)][0])\n"
             "seq = list(g.objects(None, ns.CameraFromWorld_rows))[0]\n"
             "print(len([p for p in g.predicates(seq) if '#_' in str(p)]))\n");
  const Outcome result =
      run(python + " '" + (folder.path() / "read.py").string() + "' '" + sidecar.string() + "'");
  EXPECT_EQ(result.out, "3\n9\n");
}

// Validator that is not ours: jsonschema (Debian python3-jsonschema), draft 2020-12.
TEST(Formats, CamerasJsonFitsItsSchema) {
  const std::string python = python_with("jsonschema");
  if (python.empty()) GTEST_SKIP() << "SKIPPED: python3-jsonschema is not installed";
  const test::TemporaryFolder folder;
  Scene scene = test::sample_scene();
  write_file(folder.path() / "a.json", exports::cameras_json(scene));
  scene.camera.projection = scene.source_camera.projection = Projection::telecentric;
  scene.tie_points.clear();
  scene.calibration_hash.clear();
  write_file(folder.path() / "b.json", exports::cameras_json(scene));
  auto broken = nlohmann::json::parse(exports::cameras_json(scene));
  broken["views"][0]["pose"]["rotation"].erase(2);
  write_file(folder.path() / "broken.json", broken.dump());
  write_file(folder.path() / "check.py",
             "import json, jsonschema, sys\n"
             "schema = json.load(open(sys.argv[1]))\n"
             "jsonschema.Draft202012Validator.check_schema(schema)\n"
             "v = jsonschema.Draft202012Validator(schema)\n"
             "for f in sys.argv[2:]:\n"
             "  print(len(list(v.iter_errors(json.load(open(f))))))\n");
  const auto quoted = [&](const char* name) {
    return " '" + (folder.path() / name).string() + "'";
  };
  const Outcome result = run(python + quoted("check.py") + " '" +
                             (test::source_folder() / "docs" / "cameras.schema.json").string() +
                             "'" + quoted("a.json") + quoted("b.json") + quoted("broken.json"));
  EXPECT_EQ(result.out, "0\n0\n1\n");
}

std::string node_modules() {
  const char* named = std::getenv("TRUNNION_NODE_MODULES");
  const fs::path folder = named != nullptr
                              ? fs::path(named)
                              : test::source_folder() / "tests" / "reference" / "node_modules";
  return fs::exists(folder / "gltf-validator") ? folder.string() : "";
}

// Lock files fix versions and checksums and name no other host than the public registry.
TEST(Formats, LockFilesNameNoOtherHost) {
  for (const char* folder : {"tests/reference", "tests/web", "stages/report/web"}) {
    const std::string text = read_file(test::source_folder() / folder / "package-lock.json");
    for (std::size_t at = text.find("://"); at != std::string::npos;
         at = text.find("://", at + 3)) {
      const std::string host = text.substr(at + 3, text.find_first_of("/\"", at + 3) - at - 3);
      const std::string line = text.substr(text.rfind('\n', at) + 1, 40);
      if (line.find("\"resolved\"") == std::string::npos) continue;  // home and funding pages
      EXPECT_EQ(host, "registry.npmjs.org") << folder;
    }
    const nlohmann::json lock = nlohmann::json::parse(text);
    for (const auto& [name, package] : lock.at("packages").items()) {
      if (name.empty()) continue;
      EXPECT_TRUE(package.contains("integrity")) << folder << " " << name;
    }
  }
}

fs::path written_gltf(const fs::path& folder, const Scene& scene) {
  const std::string jpeg = test::jpeg_bytes(test::sample_image(64, 64, CV_8U, 3));
  write_file(folder / "cameras.gltf",
             exports::cameras_gltf(scene, [&](std::size_t) { return jpeg; }));
  return folder / "cameras.gltf";
}

// The validator of the standard's own group: npm gltf-validator (Khronos Group).
TEST(Formats, GltfHasNoErrorsAndNoWarnings) {
  const std::string modules = node_modules();
  if (modules.empty() || !installed("node")) {
    GTEST_SKIP() << "SKIPPED: gltf-validator is absent; bash datasets/setup.sh tests fetches it";
  }
  const test::TemporaryFolder folder;
  Scene scene = test::sample_scene();
  for (const auto projection : {Projection::perspective, Projection::telecentric}) {
    scene.camera.projection = projection;
    const fs::path file = written_gltf(folder.path(), scene);
    write_file(folder.path() / "validate.js",
               "require('" + modules +
                   "/gltf-validator').validateBytes(new Uint8Array(require('fs').readFileSync("
                   "process.argv[2]))).then(r => console.log(r.issues.numErrors, "
                   "r.issues.numWarnings, r.issues.numInfos, r.info.version));\n");
    EXPECT_EQ(
        run("node '" + (folder.path() / "validate.js").string() + "' '" + file.string() + "'").out,
        "0 0 0 2.0\n");
  }
}

// By the same validator: a tetrahedron as a hull is written.
TEST(Formats, HullGlbHasNoErrorsAndNoWarnings) {
  const std::string modules = node_modules();
  if (modules.empty() || !installed("node")) {
    GTEST_SKIP() << "SKIPPED: gltf-validator is absent; bash datasets/setup.sh tests fetches it";
  }
  const test::TemporaryFolder folder;
  hull::Mesh mesh;
  mesh.vertices = {{0, 0, 0}, {10, 0, 0}, {0, 10, 0}, {0, 0, 10}};
  for (const Eigen::Vector3f& vertex : mesh.vertices) {
    mesh.normals.push_back((vertex - Eigen::Vector3f::Constant(2.5F)).normalized());
    mesh.rgb.push_back({200, 120, 40});
  }
  mesh.triangles = {{0, 2, 1}, {0, 1, 3}, {0, 3, 2}, {1, 2, 3}};
  const fs::path file = folder.path() / "hull.glb";
  write_file(file, hull::hull_glb(mesh));
  write_file(folder.path() / "validate.js",
             "require('" + modules +
                 "/gltf-validator').validateBytes(new Uint8Array(require('fs').readFileSync("
                 "process.argv[2]))).then(r => console.log(r.issues.numErrors, "
                 "r.issues.numWarnings, r.info.totalTriangleCount, r.info.version));\n");
  EXPECT_EQ(
      run("node '" + (folder.path() / "validate.js").string() + "' '" + file.string() + "'").out,
      "0 0 4 2.0\n");
}

// A general reader: assimp (Debian assimp-utils).
TEST(Formats, AssimpFindsTheSameCamerasWithTheSameTransforms) {
  if (!installed("assimp")) GTEST_SKIP() << "SKIPPED: assimp-utils is not installed";
  const test::TemporaryFolder folder;
  const Scene scene = test::sample_scene();
  const fs::path file = written_gltf(folder.path(), scene);
  const std::string info = run("assimp info '" + file.string() + "'").out;
  const std::size_t at = info.find("Cameras:");
  ASSERT_NE(at, std::string::npos) << info;
  EXPECT_EQ(std::stoul(info.substr(at + 8)), scene.views.size());
  const fs::path dump = folder.path() / "dump.assxml";
  run("assimp dump '" + file.string() + "' '" + dump.string() + "'");
  const std::string text = read_file(dump);
  for (const View& view : scene.views) {
    const std::size_t node = text.find("<Node name=\"" + view.name + "\">");
    ASSERT_NE(node, std::string::npos);
    std::istringstream numbers(text.substr(text.find("<Matrix4>", node) + 9, 400));
    Eigen::Matrix4d world_from_node;
    for (int i = 0; i < 16; ++i) numbers >> world_from_node(i / 4, i % 4);
    // x right, y up, z backwards in the specification's axes: rows of R with y and z turned.
    const Eigen::Vector3d right(view.pose.R(0, 0), view.pose.R(0, 2), -view.pose.R(0, 1));
    const Eigen::Vector3d up(-view.pose.R(1, 0), -view.pose.R(1, 2), view.pose.R(1, 1));
    const Eigen::Vector3d c = view.pose.centre_mm() / 1000.0;
    // The dump has six decimals.
    EXPECT_LT((world_from_node.block<3, 1>(0, 0) - right).norm(), 2e-6);
    EXPECT_LT((world_from_node.block<3, 1>(0, 1) - up).norm(), 2e-6);
    EXPECT_LT((world_from_node.block<3, 1>(0, 3) - Eigen::Vector3d(c.x(), c.z(), -c.y())).norm(),
              2e-6);
  }
}

// The numbers of the worked example in docs/formats.md, worked out apart from this program.
TEST(Formats, WorkedExampleOfTheDocumentationHolds) {
  Scene scene = test::sample_scene();
  scene.views.resize(1);
  const Axis axis = nominal_axis(210.0, 15.0 * CV_PI / 180.0);
  scene.views[0].pose = pose_at(axis, 0.0);
  const Eigen::Vector3d c = scene.views[0].pose.centre_mm();
  EXPECT_NEAR(c.x(), 202.844, 5e-4);
  EXPECT_NEAR(c.y(), 0, 1e-9);
  EXPECT_NEAR(c.z(), 54.352, 5e-4);
  const Eigen::Vector2d pixel =
      project(scene.camera, scene.views[0].pose * Eigen::Vector3d(3, 0, 1));
  EXPECT_NEAR(pixel.x(), 299.5, 1e-4);
  EXPECT_NEAR(pixel.y(), 194.7272, 1e-4);
  const auto gltf = nlohmann::json::parse(exports::cameras_gltf(scene, nullptr));
  nlohmann::json node;
  for (const auto& each : gltf["nodes"]) node = each.contains("camera") ? each : node;
  const std::array<double, 4> expected{-0.092296, 0.701057, 0.092296, 0.701057};
  for (std::size_t i = 0; i < 4; ++i) EXPECT_NEAR(node["rotation"][i], expected[i], 1e-6);
  EXPECT_NEAR(gltf["cameras"][0]["perspective"]["yfov"], 0.0767304, 1e-7);
  const std::string csv = exports::exterior_csv(scene);
  std::istringstream row(csv.substr(csv.rfind("images/low_000.tif,") + 19));
  std::vector<double> v(6);
  char comma = 0;
  for (double& value : v) row >> value >> comma;
  EXPECT_NEAR(v[3], 0, 1e-9);
  EXPECT_NEAR(v[4], 75, 1e-9);
  EXPECT_NEAR(v[5], 90, 1e-9);
}

// The example document is well-formed for a general XML parser (Python's expat).
TEST(Formats, ExampleDocumentIsWellFormedXml) {
  const std::string python = python_with("xml.etree.ElementTree");
  if (python.empty()) GTEST_SKIP() << "SKIPPED: python3 is not installed";
  const test::TemporaryFolder folder;
  Scene scene = test::sample_scene();
  scene.title = "A & B <\"7\">";
  TemplateSettings settings;
  settings.file = test::source_folder() / "config" / "templates" / "document.mustache";
  settings.name = "set.xml";
  write_file(folder.path() / "set.xml", exports::render_template(scene, settings).at(0).second);
  const Outcome result = run(python + " -c \"import xml.etree.ElementTree as E; r = E.parse('" +
                             (folder.path() / "set.xml").string() +
                             "').getroot(); print(r.get('title'), len(r.findall('view')))\"");
  EXPECT_EQ(result.out, "A & B <\"7\"> 14\n");
}

}  // namespace formats_test
}  // namespace trunnion
