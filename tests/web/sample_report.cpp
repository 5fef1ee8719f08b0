// sample_report FOLDER: writes the reports that the page's checks open.
#include "tests/support/sample_report.h"

#include <cstdio>
#include <filesystem>
#include <string>

int main(int argc, char** argv) {
  using namespace trunnion;
  if (argc != 2) return 2;
  const std::filesystem::path folder = argv[1];
  std::filesystem::create_directories(folder);
  write_report(test::sample_report(), folder / "faulty");
  test::SampleOptions clean;
  clean.faults = false;
  clean.rings = 1;
  clean.stations = 36;
  write_report(test::sample_report(clean), folder / "clean");
  return 0;
}
