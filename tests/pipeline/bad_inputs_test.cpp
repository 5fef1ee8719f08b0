// A corpus of bad inputs, given to the built program as a user would: each must end with a clear
// sentence that names the file, exit code 1 (2 for a wrong call), and nothing written over.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <algorithm>
#include <cctype>
#include <fstream>
#include <functional>

#include "core/files.h"
#include "tests/support/bad_images.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace bad_inputs_test {

using test::ProgramRun;
using testing::AnyOf;
using testing::HasSubstr;
using testing::Not;

constexpr int kWidth = 180;
constexpr int kHeight = 144;
// What the corpus as a whole must hold; counted by the last test.
constexpr std::size_t kCorpus = 150;

std::size_t& tried() {
  static std::size_t count = 0;
  return count;
}

// Four small images of one file type, made once.
const test::SmallSet& set_of(FileType type) {
  const auto make = [](FileType each) {
    demo::DemoOptions options = test::SmallSet::small_options();
    options.stations = 4;
    options.width_px = kWidth;
    options.height_px = kHeight;
    options.type = each;
    options.bits = each == FileType::jpeg ? 8 : 16;
    return std::make_unique<test::SmallSet>(true, options);
  };
  static const auto tiff = make(FileType::tiff);
  static const auto png = make(FileType::png);
  static const auto jpeg = make(FileType::jpeg);
  return type == FileType::tiff ? *tiff : type == FileType::png ? *png : *jpeg;
}

FileType type_of(const std::string& extension) {
  return extension == ".tif"   ? FileType::tiff
         : extension == ".png" ? FileType::png
                               : FileType::jpeg;
}

// A copy of a small set of its own, to be spoilt.
struct Copy {
  explicit Copy(FileType type = FileType::tiff) {
    fs::copy(set_of(type).root(), folder.path() / "set", fs::copy_options::recursive);
  }
  [[nodiscard]] fs::path root() const { return folder.path() / "set"; }
  [[nodiscard]] fs::path specimen() const { return root() / "specimen"; }
  test::TemporaryFolder folder;
};

bool printable(const std::string& text) {
  return std::all_of(text.begin(), text.end(),
                     [](char c) { return c == '\n' || static_cast<unsigned char>(c) >= 0x20U; });
}

// Runs a command on a spoilt set and checks what holds for every bad input.
ProgramRun expect_refused(const Copy& copy, const std::vector<std::string>& words,
                          const std::string& named, int exit_code = 1) {
  ++tried();
  const auto before = test::hashes_below(copy.root());
  const ProgramRun run = test::run_trunnion(words);
  const std::string message = run.out + run.err;
  EXPECT_EQ(run.exit_code, exit_code) << message;
  EXPECT_THAT(message, HasSubstr(named));
  EXPECT_TRUE(printable(message)) << message;
  for (const char* inner : {"std::", "terminate", "basic_string", "OpenCV(", "assert", "what():"}) {
    EXPECT_THAT(message, Not(HasSubstr(inner)));
  }
  const auto after = test::hashes_below(copy.root());
  for (const auto& [file, hash] : before) {
    const auto found = after.find(file);
    EXPECT_TRUE(found != after.end() && found->second == hash) << file << " was written over";
  }
  if (std::getenv("TRUNNION_SHOW_CORPUS") != nullptr) std::cout << "  " << message << '\n';
  return run;
}

TEST(BadInputs, SlowEveryBadImageIsNamedAndTheOthersArePrepared) {
  for (const test::BadImage& bad : test::bad_images(kWidth, kHeight)) {
    SCOPED_TRACE(bad.name);
    const Copy copy(type_of(bad.extension));
    const std::string name = "mid_001" + bad.extension;
    std::ofstream(copy.specimen() / "fused" / name, std::ios::binary | std::ios::trunc)
        << bad.bytes;
    const ProgramRun run = expect_refused(copy, {"prepare", copy.specimen()}, name);
    EXPECT_TRUE(fs::exists(copy.specimen() / "prepared/images" / ("mid_002" + bad.extension)))
        << "one bad file must not stop the others";
    EXPECT_FALSE(fs::exists(copy.specimen() / "prepared/images" / name)) << run.out;
  }
}

TEST(BadInputs, SpecialFilesInThePlaceOfAnImage) {
  const std::vector<std::pair<std::string, std::function<void(const fs::path&)>>> kinds{
      {"folder", [](const fs::path& path) { fs::create_directory(path); }},
      {"pipe", [](const fs::path& path) { ASSERT_EQ(mkfifo(path.c_str(), 0600), 0); }},
      {"device", [](const fs::path& path) { fs::create_symlink("/dev/zero", path); }},
      {"dangling link", [](const fs::path& path) { fs::create_symlink("nowhere.tif", path); }},
      {"link to itself", [](const fs::path& path) { fs::create_symlink(path.filename(), path); }},
  };
  for (const auto& [kind, make] : kinds) {
    SCOPED_TRACE(kind);
    const Copy copy;
    fs::remove(copy.specimen() / "fused/mid_001.tif");
    make(copy.specimen() / "fused/mid_001.tif");
    ++tried();
    const ProgramRun run = test::run_trunnion({"prepare", copy.specimen(), "--quiet"});
    EXPECT_EQ(run.exit_code, 1);
    EXPECT_THAT(run.out + run.err, AnyOf(HasSubstr("mid_001.tif"), HasSubstr("station 1")));
    EXPECT_TRUE(fs::exists(copy.specimen() / "prepared/images/mid_002.tif"));
  }
}

// Lines that replace the one that begins with `key` in specimen.toml, or are added at its end.
struct BadText {
  const char* name;
  std::string text;
  const char* message;
};

std::string specimen_text(const std::string& ring_lines, const std::string& tables = "",
                          const std::string& top = "setup = \"../setups/demo.toml\"\n") {
  return top + "[[ring]]\n" + ring_lines + tables;
}

const std::string kRing =
    "name = \"mid\"\nelevation_deg = 20\nstations = 4\npattern = \"fused/mid_{station}.tif\"\n";

std::vector<BadText> bad_specimens() {
  const auto ring = [](const std::string& lines) { return specimen_text(lines); };
  const auto with = [](const std::string& tables) { return specimen_text(kRing, tables); };
  return {
      {"empty", "", "setup"},
      {"not_toml", "this is no TOML", "line 1"},
      {"binary", std::string("\0\1\2\3\xFF\xFE", 6), "specimen.toml"},
      {"not_utf8", "title = \"\xFF\xFE\"\n", "specimen.toml"},
      {"open_quote", "title = \"never closed\n", "line 1"},
      {"open_table", "[backdrop\n", "line 1"},
      {"same_key_twice", "title = \"a\"\ntitle = \"b\"\n", "line 2"},
      {"deep_nesting", "title = " + std::string(3000, '[') + "\n", "specimen.toml"},
      {"no_ring", "setup = \"../setups/demo.toml\"\n", "[[ring]]"},
      {"ring_is_no_table", "setup = \"../setups/demo.toml\"\nring = 3\n", "ring"},
      {"no_setup", specimen_text(kRing, "", ""), "setup"},
      {"setup_missing", specimen_text(kRing, "", "setup = \"../setups/none.toml\"\n"), "none.toml"},
      {"setup_is_a_folder", specimen_text(kRing, "", "setup = \"../setups\"\n"), "setups"},
      {"setup_of_wrong_type", specimen_text(kRing, "", "setup = 3\n"), "line 1"},
      {"unknown_key", ring(kRing + "elevaton_deg = 3\n"), "elevation_deg"},
      {"unknown_table", with("[backdorp]\nkind = \"black\"\n"), "backdrop"},
      {"no_stations", ring("name = \"mid\"\npattern = \"fused/mid_{station}.tif\"\n"), "stations"},
      {"zero_stations", ring("name = \"mid\"\nstations = 0\npattern = \"fused/{station}.tif\"\n"),
       "stations"},
      {"too_many_stations",
       ring("name = \"mid\"\nstations = 99999999999\npattern = \"fused/{station}.tif\"\n"),
       "stations"},
      {"half_station", ring("name = \"mid\"\nstations = 4.5\npattern = \"fused/{station}.tif\"\n"),
       "stations"},
      {"stations_in_words",
       ring("name = \"mid\"\nstations = \"four\"\npattern = \"fused/{station}.tif\"\n"),
       "stations"},
      {"pattern_without_station", ring("name = \"mid\"\nstations = 4\npattern = \"fused/a.tif\"\n"),
       "{station}"},
      {"pattern_above", ring("name = \"mid\"\nstations = 4\npattern = \"../x/{station}.tif\"\n"),
       "outside the workspace"},
      {"pattern_hidden_above",
       ring("name = \"mid\"\nstations = 4\npattern = \"fused/../../x/{station}.tif\"\n"),
       "outside the workspace"},
      {"pattern_absolute", ring("name = \"mid\"\nstations = 4\npattern = \"/etc/{station}\"\n"),
       "outside the workspace"},
      {"pattern_with_zero",
       ring("name = \"mid\"\nstations = 4\npattern = \"fused/\\u0000{station}.tif\"\n"), "pattern"},
      {"pattern_matches_nothing",
       ring("name = \"mid\"\nstations = 4\npattern = \"none/{station}.tif\"\n"), "\"none\""},
      {"ring_name_with_slash",
       ring("name = \"a/b\"\nstations = 4\npattern = \"fused/mid_{station}.tif\"\n"), "name"},
      {"ring_name_with_newline",
       ring("name = \"a\\nb\"\nstations = 4\npattern = \"fused/mid_{station}.tif\"\n"), "name"},
      {"ring_name_as_formula",
       ring("name = \"=1+1\"\nstations = 4\npattern = \"fused/mid_{station}.tif\"\n"), "name"},
      {"two_rings_of_one_name", specimen_text(kRing, "[[ring]]\n" + kRing), "another ring"},
      {"elevation_upright", ring(kRing + "step_deg = 0\n"), "step_deg"},
      {"elevation_nan",
       ring("name = \"mid\"\nelevation_deg = nan\nstations = 4\n"
            "pattern = \"fused/mid_{station}.tif\"\n"),
       "elevation_deg"},
      {"start_infinite", ring(kRing + "start_deg = inf\n"), "start_deg"},
      {"turning_unknown", ring(kRing + "turning = \"clockwize\"\n"), "clockwise"},
      {"backdrop_unknown", with("[backdrop]\nkind = \"beige\"\n"), "kind"},
      {"empty_stage_missing", with("[backdrop]\nempty = \"fused/none.tif\"\n"), "none.tif"},
      {"empty_stage_outside", with("[backdrop]\nempty = \"/etc/passwd\"\n"),
       "outside the workspace"},
      {"table_outside",
       specimen_text("name = \"mid\"\nstations = 4\n", "[captures]\ntable = \"../../x.csv\"\n"),
       "outside the workspace"},
      {"table_and_pattern", with("[captures]\ntable = \"captures.csv\"\n"), "exclude"},
      {"table_missing",
       specimen_text("name = \"mid\"\nstations = 4\n", "[captures]\ntable = \"none.csv\"\n"),
       "none.csv"},
      {"margin_in_words", with("[mask]\nmargin_px = \"wide\"\n"), "margin_px"},
      {"margin_huge_in_mm", with("[mask]\nmargin_mm = 100\n"), "margin_mm = 100"},
      {"margin_shrinks_all", with("[mask]\nmargin_mm = -100\n"), "shorter side"},
      {"margin_huge", with("[mask]\nmargin_px = 1e300\n"), "margin_px"},
      {"mount_line_missing", with("[mask]\nmount = \"below-line\"\n"), "mount_line_px"},
      {"mount_line_for_nothing", with("[mask]\nmount_line_px = 40\n"), "below-line"},
      {"alpha_without_masks", with("[mask]\nenabled = false\n[output]\nalpha = \"alpha\"\n"),
       "mask.enabled"},
      {"survey_of_nothing", with("[survey]\nstations = 0\n"), "stations"},
      {"survey_upside_down", with("[survey]\nstations = 12\nmost_stations = 6\n"), "most_stations"},
      {"contrast_negative", with("[repair]\nmin_contrast_percent = -1\n"), "min_contrast_percent"},
      {"interpolation_unknown", with("[undistort]\ninterpolation = \"nearest\"\n"),
       "interpolation"},
      {"too_many_features", with("[refine]\nmax_features = 2147483648\n"), "max_features"},
      {"jpeg_of_sixteen_bits", with("[output]\ntype = \"jpeg\"\n"), "JPEG"},
      {"type_unknown", with("[output]\ntype = \"raw\"\n"), "type"},
      {"suffix_with_slash", with("[output]\nmask_suffix = \"/../../x\"\n"), "mask_suffix"},
      {"output_name_with_slash", with("[output]\nname = \"../{station}\"\n"), "name"},
      {"output_name_without_station", with("[output]\nname = \"same\"\n"), "{station}"},
      {"frame_outside", with("[output]\nframe = \"/etc/{station}\"\n"), "outside the workspace"},
      {"megapixels_negative", with("[limits]\nmax_megapixels = -1\n"), "max_megapixels"},
      {"images_over_the_limit", with("[limits]\nmax_megapixels = 0.01\n"), "max_megapixels"},
      {"distance_zero", with("[geometry]\ndistance_mm = 0\n"), "distance_mm"},
      {"sigma_zero", with("[geometry]\nsigma_angle_deg = 0\n"), "sigma_angle_deg"},
      {"template_missing",
       with("[[output.template]]\nfile = \"none.mustache\"\nname = \"a.txt\"\n"), "none.mustache"},
      {"template_outside",
       with("[[output.template]]\nfile = \"/etc/hostname\"\nname = \"a.txt\"\n"),
       "outside the workspace"},
      {"template_unknown_word", with("[[output.template]]\nfile = \"matix\"\nname = \"a.txt\"\n"),
       "matix"},
      {"template_without_name", with("[[output.template]]\nfile = \"matrix\"\n"), "name"},
      {"template_writes_above",
       with("[[output.template]]\nfile = \"matrix\"\nname = \"../poses.txt\"\n"), "name"},
      {"template_writes_absolute",
       with("[[output.template]]\nfile = \"matrix\"\nname = \"/tmp/poses.txt\"\n"), "name"},
      {"template_unit_unknown",
       with("[[output.template]]\nfile = \"matrix\"\nname = \"a.txt\"\nlength = \"inch\"\n"),
       "length"},
  };
}

TEST(BadInputs, EveryBadSpecimenFileIsNamedWithWhatIsWrong) {
  for (const BadText& bad : bad_specimens()) {
    SCOPED_TRACE(bad.name);
    const Copy copy;
    write_file(copy.specimen() / "specimen.toml", bad.text);
    const ProgramRun run = expect_refused(copy, {"prepare", copy.specimen()}, bad.message);
    EXPECT_FALSE(fs::exists(copy.specimen() / "prepared/images")) << run.out << run.err;
  }
}

TEST(BadInputs, EveryBadSetupIsNamedWithWhatIsWrong) {
  const std::string body = "[body]\nwidth_px = 180\nheight_px = 144\npixel_pitch_um = 4.0\n";
  const std::string lens = "[lens]\nfocal_length_mm = 100.0\nmagnification = 1.0\nf_number = 8.0\n";
  const std::vector<BadText> setups{
      {"empty", "", "width_px"},
      {"not_toml", "{\"body\": 1}", "line 1"},
      {"no_lens", body, "focal_length_mm"},
      {"no_body", lens, "width_px"},
      {"unknown_key", body + lens + "fnumber = 8\n", "f_number"},
      {"pitch_zero", "[body]\nwidth_px = 180\nheight_px = 144\npixel_pitch_um = 0\n" + lens,
       "pixel_pitch_um"},
      {"pitch_in_metres", "[body]\nwidth_px = 180\nheight_px = 144\npixel_pitch_um = 4e-6\n" + lens,
       "pixel_pitch_um"},
      {"width_negative", "[body]\nwidth_px = -1\nheight_px = 144\npixel_pitch_um = 4\n" + lens,
       "width_px"},
      {"width_in_words", "[body]\nwidth_px = \"180\"\nheight_px = 144\npixel_pitch_um = 4\n" + lens,
       "width_px"},
      {"other_size", "[body]\nwidth_px = 600\nheight_px = 400\npixel_pitch_um = 4.0\n" + lens,
       "width_px"},
      {"focal_length_nan",
       body + "[lens]\nfocal_length_mm = nan\nmagnification = 1\nf_number = 8\n",
       "focal_length_mm"},
      {"magnification_negative",
       body + "[lens]\nfocal_length_mm = 100\nmagnification = -1\nf_number = 8\n", "magnification"},
      {"magnification_zero",
       body + "[lens]\nfocal_length_mm = 100\nmagnification = 0\nf_number = 8\n", "magnification"},
      {"aperture_on_the_photographic", body + lens + "numerical_aperture = 0.1\n",
       "numerical_aperture"},
      {"kind_unknown", body + lens + "kind = \"zoom\"\n", "kind"},
      {"objective_without_aperture", body + "[lens]\nkind = \"objective\"\nmagnification = 10\n",
       "numerical_aperture"},
      {"fusion_unknown", body + lens + "[fusion]\nmoves = \"stage\"\n", "moves"},
      {"reference_unknown", body + lens + "[fusion]\nreference = \"best\"\n", "reference"},
      {"rescaled_in_words", body + lens + "[fusion]\nrescaled = \"yes\"\n", "rescaled"},
      {"distance_negative", "working_distance_mm = -5\n" + body + lens, "working_distance_mm"},
  };
  for (const BadText& bad : setups) {
    SCOPED_TRACE(bad.name);
    const Copy copy;
    fs::remove(copy.root() / "setups/demo.calibration.json");
    write_file(copy.root() / "setups/demo.toml", bad.text);
    expect_refused(copy, {"prepare", copy.specimen()}, bad.message);
  }
}

TEST(BadInputs, EveryBadCaptureTableIsNamedWithTheLine) {
  const std::string good =
      "file,station\nfused/mid_000.tif,0\nfused/mid_001.tif,1\nfused/mid_002.tif,2\n";
  std::string wide = "file,station";
  for (int i = 0; i < 5000; ++i) wide += ",c" + std::to_string(i);
  const std::vector<BadText> tables{
      {"empty", "", "captures.csv"},
      {"header_only", "file,station\n", "lists no image"},
      {"no_header", "fused/mid_000.tif,0\n", "unknown"},
      {"wrong_columns", "image,number\nfused/mid_000.tif,0\n", "unknown"},
      {"column_twice", "file,station,station\nfused/mid_000.tif,0,0\n", "twice"},
      {"column_missing", "file\nfused/mid_000.tif\n", "station"},
      {"semicolons", "file;station\nfused/mid_000.tif;0\n", "unknown"},
      {"thousands_of_columns", wide + "\n", "columns"},
      {"utf16",
       std::string("\xFF\xFE"
                   "f\0i\0l\0e\0",
                   10),
       "UTF-8"},
      {"latin1", "file,station\nfused/m\xFChle.tif,0\n", "UTF-8"},
      {"zero_bytes", std::string("file,station\nfused/\0.tif,0\n", 27), "UTF-8"},
      {"open_quote", "file,station\n\"fused/mid_000.tif,0\n", "quotation mark"},
      {"row_too_short", "file,station\nfused/mid_000.tif\n", "line 2"},
      {"row_too_long", "file,station\nfused/mid_000.tif,0,7\n", "line 2"},
      {"station_in_words", "file,station\nfused/mid_000.tif,first\n", "line 2"},
      {"station_negative", "file,station\nfused/mid_000.tif,-1\n", "line 2"},
      {"station_huge", "file,station\nfused/mid_000.tif,99999999999999999999\n", "line 2"},
      {"station_not_in_ring", good + "fused/mid_003.tif,77\n", "77"},
      {"station_twice", good + "fused/mid_003.tif,2\n", "mid_003.tif"},
      {"file_twice", good + "fused/mid_000.tif,3\n", "mid_000.tif"},
      {"file_missing", good + "fused/none.tif,3\n", "none.tif"},
      {"file_absolute", good + "/etc/passwd,3\n", "line 5"},
      {"file_above", good + "../other/a.tif,3\n", "line 5"},
      {"file_empty", good + ",3\n", "line 5"},
      {"angle_nan", "file,station,angle_deg\nfused/mid_000.tif,0,nan\n", "angle_deg"},
      {"angle_in_words", "file,station,angle_deg\nfused/mid_000.tif,0,right\n", "angle_deg"},
      {"angle_huge", "file,station,angle_deg\nfused/mid_000.tif,0,1e308\n", "angle_deg"},
      {"ring_unknown", "file,ring,station\nfused/mid_000.tif,top,0\n", "top"},
  };
  for (const BadText& bad : tables) {
    SCOPED_TRACE(bad.name);
    const Copy copy;
    write_file(copy.specimen() / "specimen.toml",
               specimen_text("name = \"mid\"\nelevation_deg = 20\nstations = 4\n",
                             "[captures]\ntable = \"captures.csv\"\n"));
    write_file(copy.specimen() / "captures.csv", bad.text);
    expect_refused(copy, {"prepare", copy.specimen()}, bad.message);
  }
}

// Replaces the first `from` of a text; fails the test where it isn't there.
std::string replaced(std::string text, const std::string& from, const std::string& to) {
  const auto at = text.find(from);
  EXPECT_NE(at, std::string::npos) << from;
  return at == std::string::npos ? text : text.replace(at, from.size(), to);
}

TEST(BadInputs, EveryBadCalibrationRecordIsNamedWithTheField) {
  const std::string good =
      read_file(set_of(FileType::tiff).root() / "setups/demo.calibration.json");
  const std::vector<BadText> records{
      {"empty", "", "demo.calibration.json"},
      {"cut", good.substr(0, good.size() / 2), "demo.calibration.json"},
      {"not_json", "setup = 3\n", "demo.calibration.json"},
      {"a_list", "[1, 2, 3]", "demo.calibration.json"},
      {"a_number", "3", "demo.calibration.json"},
      {"empty_object", "{}", "demo.calibration.json"},
      {"deep_nesting", std::string(100000, '['), "demo.calibration.json"},
      {"fx_in_words", replaced(good, "\"fx_px\": ", "\"fx_px\": \"wide\", \"was\": "),
       "lens.camera.fx_px"},
      {"fx_missing", replaced(good, "\"fx_px\"", "\"gx_px\""), "lens.camera.fx_px is missing"},
      {"rms_negative", replaced(good, "\"rms_px\": ", "\"rms_px\": -1, \"old\": "),
       "rms_px must be"},
      {"number_too_large", replaced(good, "\"rms_px\": ", "\"rms_px\": 1e999, \"old\": "),
       "demo.calibration.json"},
  };
  for (const BadText& bad : records) {
    SCOPED_TRACE(bad.name);
    const Copy copy;
    write_file(copy.root() / "setups/demo.calibration.json", bad.text);
    expect_refused(copy, {"prepare", copy.specimen()}, bad.message);
  }
}

TEST(BadInputs, EveryBadTemplateIsNamedWithTheMistake) {
  const std::vector<BadText> templates{
      {"open_tag", "{{title", "t.mustache"},
      {"open_section", "{{#views}}{{name}}", "t.mustache"},
      {"section_closed_twice", "{{#views}}{{/views}}{{/views}}", "t.mustache"},
      {"crossed_sections", "{{#views}}{{#has_mask}}{{/views}}{{/has_mask}}", "t.mustache"},
      {"unknown_field", "{{titel}}", "titel"},
      {"unknown_field_of_a_view", "{{#views}}{{station_angle}}{{/views}}", "station_angle"},
      {"includes_itself", "{{>t}}", "t.mustache"},
      {"includes_a_file", "{{>/etc/passwd}}", "t.mustache"},
      {"sections_without_end",
       [] {
         std::string text;
         for (int i = 0; i < 20000; ++i) text += "{{#views}}";
         return text;
       }(),
       "t.mustache"},
      {"views_of_views_of_views",
       [] {
         std::string text = "x";
         for (int i = 0; i < 24; ++i) text = "{{#views}}" + text + "{{/views}}";
         return text;
       }(),
       "t.mustache"},
      {"other_delimiters", "{{=<% %>=}}<%titel%>", "delimiters"},
  };
  for (const BadText& bad : templates) {
    SCOPED_TRACE(bad.name);
    const Copy copy;
    write_file(copy.specimen() / "t.mustache", bad.text);
    std::ofstream(copy.specimen() / "specimen.toml", std::ios::app)
        << "[[output.template]]\nfile = \"t.mustache\"\nname = \"poses.txt\"\n";
    expect_refused(copy, {"prepare", copy.specimen()}, bad.message);
    EXPECT_FALSE(fs::exists(copy.specimen() / "prepared/poses.txt"));
  }
}

TEST(BadInputs, WrongCallsExitWithTwo) {
  const Copy copy;
  const std::string specimen = copy.specimen();
  const std::string setup = copy.root() / "setups/demo.toml";
  const std::vector<std::pair<std::vector<std::string>, std::string>> calls{
      {{"prepare"}, "workspace"},
      {{"prepare", specimen, "more"}, "more"},
      {{"prepare", specimen, "--jobs", "-3"}, "--jobs"},
      {{"prepare", specimen, "--jobs", "many"}, "--jobs"},
      {{"prepare", specimen, "--jops", "2"}, "--jops"},
      {{"prepair", specimen}, "prepair"},
      {{"check"}, "workspace"},
      {{"verify"}, "workspace"},
      {{"report"}, "workspace"},
      {{"calibrate", "lens", setup}, "--images"},
      {{"calibrate", "axis", setup}, "--images"},
      {{"calibrate", "lense", setup}, "lense"},
      {{"demo"}, "folder"},
      {{"demo", copy.root() / "new", "--bits", "12"}, "--bits"},
      {{"demo", copy.root() / "new", "--stations", "0"}, "--stations"},
      {{"demo", copy.root() / "new", "--backdrop", "beige"}, "--backdrop"},
      {{"plan"}, "height"},
      {{"target"}, "--"},
  };
  for (const auto& [words, message] : calls) {
    SCOPED_TRACE(testing::PrintToString(words));
    expect_refused(copy, words, message, 2);
  }
}

TEST(BadInputs, WrongPlacesExitWithOne) {
  const Copy copy;
  const std::string none = copy.root() / "none";
  const std::string file = copy.root() / "setups/demo.toml";
  const std::string truth = copy.root() / "truth";
  for (const char* command : {"prepare", "check", "verify", "report"}) {
    for (const std::string& place : {none, file, truth}) {
      SCOPED_TRACE(std::string(command) + " " + place);
      // A place that is no workspace is a wrong call, a workspace without results is not.
      const bool no_results = std::string(command) == "verify" && place == truth;
      expect_refused(copy, {command, place}, fs::path(place).filename(), no_results ? 1 : 2);
    }
  }
  const std::string board = "--images=" + none + "/*.tif";
  expect_refused(copy, {"calibrate", "lens", file, board, "--square", "1"}, "none", 2);
  expect_refused(copy, {"calibrate", "lens", none, board, "--square", "1"}, "none");
}

// A name of any characters is a file's name; what is said of it must stay one readable line.
TEST(BadInputs, NamesOfAnyCharactersAreToldSafely) {
  const std::vector<std::string> names{
      "a b.tif",       "\xC3\xA4\xC3\xB6.tif", "quote\"'.tif",
      "new\nline.tif", "<b>&amp;.tif",         "{{title}}.tif",
      "=1+1.tif",      "$(touch x).tif",       "\x1B[31mred.tif",
      "-rf.tif",       "semi;colon.tif",       "\xE2\x80\xAEright.tif",
  };
  for (const std::string& name : names) {
    SCOPED_TRACE(name);
    const Copy copy;
    std::string quoted;
    for (const char c : name) quoted += c == '"' ? std::string("\"\"") : std::string(1, c);
    write_file(copy.specimen() / "specimen.toml",
               specimen_text("name = \"mid\"\nelevation_deg = 20\nstations = 4\n",
                             "[captures]\ntable = \"captures.csv\"\n"));
    write_file(
        copy.specimen() / "captures.csv",
        "file,station\nfused/mid_000.tif,0\nfused/mid_001.tif,1\nfused/mid_002.tif,2\n\"fused/" +
            quoted + "\",3\n");
    std::ofstream(copy.specimen() / "fused" / name) << "no image";
    expect_refused(copy, {"prepare", copy.specimen()}, ".tif");
    const std::string page = read_file(copy.specimen() / "prepared/report/index.html");
    EXPECT_THAT(page, Not(HasSubstr("<b>&amp;.tif")));
  }
}

TEST(BadInputs, TheCorpusIsLargeEnough) {
  // Only where the whole file runs in one process, as bash tests/run.sh does not: counted again.
  const std::size_t listed = test::bad_images(kWidth, kHeight).size() + bad_specimens().size() + 5 +
                             20 + 28 + 11 + 12 + 18 + 14 + 12;
  EXPECT_GE(listed, kCorpus);
  RecordProperty("bad_inputs", static_cast<int>(listed));
}

}  // namespace bad_inputs_test
}  // namespace trunnion
