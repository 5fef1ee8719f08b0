// sample_collection FOLDER: the report of an invented collection of 5,000 specimens, with pictures.
#include <fmt/format.h>

#include <cstdio>
#include <opencv2/imgcodecs.hpp>

#include "core/files.h"
#include "pipeline/collection/report.h"

namespace trunnion {
namespace {

using collection::SpecimenState;
using collection::State;

SpecimenState invented(int i) {
  SpecimenState each;
  each.name = fmt::format("drawer-{:02}/B {:05}", i / 100, i);
  each.title = fmt::format("Specimen {}", i);
  each.record.catalogue_number = fmt::format("B {:05}", i);
  each.record.institution = "MUS";
  each.record.taxon = i % 7 == 0 ? "Carabus auratus" : fmt::format("Taxon {}", i % 97);
  each.record.label = i == 4321 ? "</script><b>the lake at dawn</b>" : "a label";
  each.setup = i % 5 == 0 ? "high" : "low";
  each.stations = 72;
  each.state = i % 50 == 1 ? State::failed : i % 50 == 2 ? State::to_do : State::finished;
  if (each.state == State::failed) each.why = fmt::format("{}: has no image", each.name);
  if (each.state != State::finished) return each;
  LastRun last;
  last.finished = true;
  last.verdict = i % 10 == 3   ? report::Verdict::reshoot
                 : i % 10 == 4 ? report::Verdict::check
                               : report::Verdict::good;
  if (last.verdict != report::Verdict::good) {
    last.to_do.push_back({Severity::doubt, fmt::format("low {}", i % 72), "", "",
                          fmt::format("Sharpness is {}.{} of the median.", i % 3, i % 10),
                          "Shoot it again."});
  }
  last.images = 72;
  last.width_mm = 1 + i % 17;
  last.height_mm = 2 + i % 13;
  last.seconds = 60 + i % 240;
  last.date = fmt::format("2026-11-{:02}T12:00:00Z", 1 + i / 200);
  last.setup = each.setup;
  last.calibration_hash = "x";
  last.picture = fmt::format("picture-{}.jpg", i % 40);
  each.last = last;
  return each;
}

void make(const fs::path& folder) {
  Collection collection;
  collection.file = fs::absolute(folder / "collection.toml").lexically_normal();
  collection.title = "Invented beetles";
  std::vector<SpecimenState> specimens;
  for (int i = 0; i < 5000; ++i) specimens.push_back(invented(i));
  for (const SpecimenState& each : specimens) {
    if (!each.last) continue;
    const fs::path picture = folder / each.name / each.last->picture;
    fs::create_directories(picture.parent_path());
    const int tone = static_cast<int>(each.last->seconds) % 200;
    cv::imwrite(picture.string(), cv::Mat(96, 128, CV_8UC3, cv::Scalar(tone, 90, 255 - tone)));
  }
  const Findings findings{{Severity::doubt, "record", "",
                           "The catalogue number B 1 stands for 2 specimens: a, b.",
                           "Correct the number of all but one."}};
  collection::write_report({collection, specimens, findings, "2026-11-30T12:00:00Z"},
                           folder / "report");
}

}  // namespace
}  // namespace trunnion

int main(int argc, char** argv) {
  if (argc != 2) return 2;
  try {
    trunnion::make(argv[1]);
    return 0;
  } catch (const std::exception& error) {
    std::fprintf(stderr, "%s\n", error.what());
    return 1;
  }
}
