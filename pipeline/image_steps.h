// The steps of one image and the products that are made of it, each declared once.
//
// Steps run in the order of their list on one image in memory, which is decoded once. Products are
// what is made of it at the end: files and what later steps ask the journal for. Each product has a
// fingerprint of its own on top of that of the steps; only those that are missing or depend on
// something that changed are made again, so a setting of the features encodes no pixel.
#pragma once

#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "core/files.h"
#include "pipeline/set_run.h"
#include "pipeline/step.h"
#include "stages/report/report.h"

namespace trunnion {

// An image on its way through the steps.
struct ImageWork {
  ImageItem& item;
  const SetRun& set;
  cv::Mat image{};
  cv::Rect missing{};  // what the file lacks and was filled (see read_image)
  cv::Mat before{};    // the fused image as the report shows it
  cv::Mat coverage{};  // what is written as the mask; empty where masks are off
  cv::Mat outline{};   // what the image is judged by: the same without margin
};

struct ImageStep {
  std::string_view name;
  bool shown = false;     // in the name of the pass on the terminal and in the report
  bool in_check = false;  // check runs it too
  SettingsKeys settings{};
  // What else it depends on, besides the image, earlier steps and the program.
  void (*depends)(Fingerprint&, const ImageItem&, const SetRun&) = nullptr;
  void (*run)(ImageWork&) = nullptr;
  Kept<ImageResult> kept{};
  void (*report)(const ImageItem&, const SetRun&, report::ReportView&) = nullptr;
};

// A file that is to appear under its final name, or bytes for the journal.
struct Made {
  std::optional<PendingFile> file{};
  std::string bytes{};
};

struct ImageProduct {
  std::string_view name;
  bool encodes = false;  // its making takes a thread of its own
  SettingsKeys settings{};
  Made (*make)(ImageWork&) = nullptr;
  // Called once the file is in place: what the journal keeps. Default: the bytes.
  std::string (*keep)(ImageItem&, const Made&, const SetRun&) = nullptr;
  // Whether what was made earlier is still there; takes what the journal kept of it. Default: it is
  // where the journal holds it.
  bool (*there)(ImageItem&, const std::string& kept, const SetRun&) = nullptr;
  void (*report)(const ImageItem&, const SetRun&, report::ReportView&) = nullptr;
};

const std::vector<ImageStep>& image_steps();
const std::vector<ImageProduct>& image_products();

// Names of products that other steps ask for.
inline constexpr std::string_view kEncodedPixels = "encoded pixels";
inline constexpr std::string_view kFeatures = "features";
inline constexpr std::string_view kPictures = "pictures";

// What the journal keeps of a product; empty where it keeps nothing.
std::string kept_of(std::string_view product, const ImageItem& item, const SetRun& set);

// Output file type of an image by the settings. Throws a data error where JPEG can't hold it.
FileType output_type(const ingest::StationImage& station, const OutputSettings& output);

// True where the encoded file waits as it was written.
bool encoded_waits(const ImageItem& item, const SetRun& set);

}  // namespace trunnion
