// Report: what was done and what is doubtful, as one folder that opens from disk in any browser
// and needs nothing outside itself.
//
//   report/index.html      the page: bundle, data and small pictures inlined
//   report/report.json     the same numbers for programs (docs/report.md describes them)
//   report/pictures/*.jpg  the pictures that the page shows on a click
//
// The values of a report are plain: what a page or a program can show. What geometry says about a
// view (correction of the stage angle, residuals, sigmas) is derived from the scene by add_scene,
// so that no caller computes it a second way. Lengths mm, angles rad in memory and degrees in JSON,
// image coordinates px with (0, 0) at the centre of the top-left pixel, uncertainties 1 sigma.
#pragma once

#include <Eigen/Core>
#include <array>
#include <cstdint>
#include <filesystem>
#include <nlohmann/json_fwd.hpp>
#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "config/calibration_record.h"
#include "config/review.h"
#include "config/specimen.h"
#include "core/angle.h"
#include "core/finding.h"
#include "core/scene.h"

namespace trunnion::report {

struct ThumbnailOptions {
  int small_px = 128;  // long side; inlined, also the picture on a frustum in the 3D view
  int large_px = 880;  // long side; fills half a projector's width
  std::size_t small_bytes = 7000;   // upper limits: 200 images stay under 25 MB together
  std::size_t large_bytes = 45000;  // each of before and after
  double outline_px = 1.0;          // largest error of the outline, in px of the large picture
};

// The pictures of one view. Small enough to keep for every image of a set.
struct ViewThumbnails {
  std::string small_jpeg;   // JPEG bytes, of `after`
  std::string before_jpeg;  // the fused image
  std::string after_jpeg;   // the prepared image
  std::string outline;  // SVG path of the mask in px of the prepared image; empty without a mask
  int before_width_px = 0;  // of the full images
  int before_height_px = 0;
  int after_width_px = 0;
  int after_height_px = 0;
};

// Called once an image. `before`, `after`: CV_8U or CV_16U, 1, 3 or 4 channels; `mask`: CV_8UC1 of
// the size of `after`, 255 inside, or empty.
ViewThumbnails make_thumbnails(const cv::Mat& before, const cv::Mat& after, const cv::Mat& mask,
                               const ThumbnailOptions& options = {});

// For caches: one string of bytes and back. Throws a data error where the bytes are damaged.
std::string pack(const ViewThumbnails& pictures);
ViewThumbnails unpack_thumbnails(const std::string& bytes);

// JPEG of the backdrop (survey's float image, BGR, 0..full_scale) for ReportData::backdrop_jpeg,
// stretched to its own range, which is widened to 2 % of full scale where it is narrower.
std::string backdrop_picture(const cv::Mat& backdrop, double full_scale);

// From where a tie point was expected to where it was seen, px of the prepared image.
struct ResidualVector {
  Eigen::Vector2d expected_px = Eigen::Vector2d::Zero();
  Eigen::Vector2d seen_minus_expected_px = Eigen::Vector2d::Zero();
};

struct ReportView {
  std::string name;  // unique
  std::string ring;
  int station = 0;
  double stage_angle = 0;   // rad
  std::string source_file;  // relative to the workspace
  std::string image_file;   // relative to prepared/
  std::string mask_file;
  std::string source_hash;

  // Filled by the pipeline, where measured.
  std::optional<double> sharpness;        // inside the specimen, relative to the set's median
  std::optional<double> exposure;         // relative to the set (see compare_stations.h)
  std::optional<double> mask_area;        // fraction of the image
  std::optional<double> mask_confidence;  // 0 .. 1
  std::optional<int> spots_repaired;
  ViewThumbnails pictures;

  // Filled by add_scene.
  Pose prior;
  Pose pose;
  PoseState pose_state = PoseState::turntable_only;
  std::optional<double> angle_correction;   // rad, refined minus prior, about the rotation axis
  std::optional<int> inliers;               // tie points seen in this view
  std::optional<double> residual_px;        // root mean square
  std::optional<double> sigma_position_mm;  // in the least certain direction
  std::optional<double> sigma_rotation;     // rad, about the least certain axis
  std::vector<ResidualVector> residuals;    // an even selection
};

// A station that was expected and has no usable image.
struct ReportGap {
  std::string ring;
  int station = 0;
  double stage_angle = 0;  // rad
  std::string file;        // the file that was expected; empty with a capture table
};

struct ReportRing {
  std::string name;
  double elevation = 0;  // rad
  int stations = 0;      // expected
};

struct ReportSpot {  // a static defect of the sensor, in px of the fused images
  double x_px = 0;
  double y_px = 0;
  double diameter_px = 0;
  double contrast = 0;  // signed, relative to its surround
};

struct ReportPoint {
  Eigen::Vector3f position_mm = Eigen::Vector3f::Zero();
  std::array<std::uint8_t, 3> rgb{128, 128, 128};
};

struct ReportFact {  // one line of a table: name and value as text with its unit
  std::string name;
  std::string value;
};

struct ReportTiming {
  std::string stage;
  double seconds = 0;
  int images = 0;  // 0: of the set as a whole
};

struct ReportData {
  bool prepared = true;  // false: the set was only examined, see check
  std::string title;
  Findings findings;
  std::vector<ReportRing> rings;
  std::vector<ReportView> views;  // ring by ring, by station
  std::vector<ReportGap> gaps;

  // Filled by add_scene.
  Camera camera;         // of the prepared images
  Camera source_camera;  // of the fused images
  double pixel_pitch_um = 0;
  bool lens_calibrated = false;
  bool axis_calibrated = false;
  bool refined = false;
  std::size_t tie_points_total = 0;
  std::vector<ReportPoint> tie_points;  // an even selection

  Review review;  // decisions of a person; set by add_rings

  std::string backdrop_jpeg;  // empty without a survey
  std::vector<ReportSpot> spots;

  std::vector<ReportFact> record;  // number, name, label and rights of the specimen

  std::string setup_name;
  std::optional<CalibrationRecord> calibration;
  std::vector<std::string> calibration_mismatches;  // empty: the record fits the setup

  std::vector<ReportFact> settings;  // effective ones, in the order to show
  std::vector<ReportFact> versions;  // of trunnion and its libraries
  std::vector<ReportFact> hashes;    // of specimen file, setup, calibration, outputs
  std::vector<ReportTiming> timings;
  std::string date;  // ISO 8601; empty keeps the report independent of the clock
};

struct ReportLimits {
  std::size_t residuals_per_view = 150;  // enough to see a pattern
  std::size_t tie_points = 6000;         // enough to see the shape
};

// Everything the scene knows: views are matched by name, created where missing, and put into the
// scene's order.
void add_scene(ReportData& data, const Scene& scene, const ReportLimits& limits = {});

// Rings of the specimen, and gaps where a ring's station has no view and is not excluded. Call
// after the views exist.
void add_rings(ReportData& data, const Specimen& specimen, const Review& review = {});

// What only a comparison over the stations shows: a station or stretch whose stage angle slipped
// against its neighbours. judge() includes these; the closing summary may add them to its findings.
struct ReviewLimits {
  double least_slip = radians(0.2);  // smaller jumps are corrected safely
  double slip_sigmas = 6;            // of the usual change from station to station (robust)
};
Findings review(const ReportData& data, const ReviewLimits& limits = {});

// What the user should do, in the order of urgency.
enum class Verdict { good, check, reshoot };
// As files write it.
const char* name_of(Verdict verdict);

struct ToDo {
  Severity severity = Severity::note;
  std::string where;   // "low 7", a file, or "set"
  std::string view;    // name of the view, empty where there is none
  std::string anchor;  // id in the page, empty where there is none
  std::string what;
  std::string remedy;
};

// A list of severity, where, view, anchor, what and remedy.
nlohmann::ordered_json to_do_json(const std::vector<ToDo>& items);

struct Judgement {
  Verdict verdict = Verdict::good;
  std::string sentence;     // one sentence that names every station at fault or in doubt
  std::vector<ToDo> to_do;  // faults, doubts; every gap appears
  std::vector<ToDo> notes;
};

// A doubt that the review accepts becomes a note with the reason; its figures stay as they are.
Judgement judge(const ReportData& data);

// A paragraph for a methods section, from the values alone.
std::string methods_paragraph(const ReportData& data);

// Writes the folder whole or not at all: an older report stays until the new one is complete.
void write_report(const ReportData& data, const std::filesystem::path& folder);

// Reads report.json and the pictures back. Throws a data error that names the file and the field.
// Missing pictures stay empty.
ReportData read_report(const std::filesystem::path& folder);

}  // namespace trunnion::report
