#include "tests/support/bad_texts.h"

#include <gtest/gtest.h>

namespace trunnion::test {
namespace {

const std::string kRing =
    "name = \"mid\"\nelevation_deg = 20\nstations = 4\npattern = \"fused/mid_{station}.tif\"\n";

// Replaces the first `from` of a text; fails the test where it isn't there.
std::string replaced(std::string text, const std::string& from, const std::string& to) {
  const auto at = text.find(from);
  EXPECT_NE(at, std::string::npos) << from;
  return at == std::string::npos ? text : text.replace(at, from.size(), to);
}

}  // namespace

std::string specimen_text(const std::string& ring_lines, const std::string& tables,
                          const std::string& top) {
  return top + "[[ring]]\n" + ring_lines + tables;
}

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

std::vector<BadText> bad_setups() {
  const std::string body = "[body]\nwidth_px = 180\nheight_px = 144\npixel_pitch_um = 4.0\n";
  const std::string lens = "[lens]\nfocal_length_mm = 100.0\nmagnification = 1.0\nf_number = 8.0\n";
  return {
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
}

std::vector<BadText> bad_capture_tables() {
  const std::string good =
      "file,station\nfused/mid_000.tif,0\nfused/mid_001.tif,1\nfused/mid_002.tif,2\n";
  std::string wide = "file,station";
  for (int i = 0; i < 5000; ++i) wide += ",c" + std::to_string(i);
  return {
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
}

std::vector<BadText> bad_records(const std::string& good) {
  return {
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
}

std::vector<BadText> bad_templates() {
  return {
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
}

}  // namespace trunnion::test
