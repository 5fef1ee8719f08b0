// Every exported format read by programs that are not ours (metadata: exiftool_test.cpp). Each test
// skips, saying why, where its program is not installed (docs/datasets.md,
// tests/reference/package.json).
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <nlohmann/json.hpp>
#include <sstream>

#include "core/files.h"
#include "stages/annotate/annotate.h"
#include "stages/exports/exports.h"
#include "stages/hull/hull.h"
#include "tests/support/open_data.h"
#include "tests/support/outside_programs.h"
#include "tests/support/samples.h"

namespace trunnion {
namespace formats_test {

using test::installed;
using test::Outcome;
using test::python_with;
using test::run;

// General RDF parser: rdflib (Debian python3-rdflib).
TEST(Formats, SidecarIsRdfXml) {
  const std::string python = python_with("rdflib");
  if (python.empty()) GTEST_SKIP() << "SKIPPED: python3-rdflib is not installed";
  const test::TemporaryFolder folder;
  OutputSettings output;
  output.sidecar = true;
  const annotate::Annotation annotation = test::annotation_of(FileType::tiff, {}, output);
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
