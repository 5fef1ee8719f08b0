// sample_report FOLDER: writes the reports that the page's checks open.
#include "tests/support/sample_report.h"

#include <filesystem>
#include <string>

namespace {

using namespace trunnion;

report::ReportData hostile() {
  test::SampleOptions options;
  options.stations = 8;
  options.faults = false;
  report::ReportData data = test::sample_report(options);
  const std::string evil =
      "</script><script>globalThis.owned=1</script><img src=x onerror=\"globalThis.owned=2\">"
      "<!-- & 'single' \"double\" \\u003c ${7*7} {{title}}";
  data.title = evil;
  data.setup_name = evil;
  data.views[2].source_file = "fused/" + evil + ".tif";
  data.findings.push_back({Severity::doubt, "survey", data.views[2].source_file, evil, evil});
  data.findings.push_back({Severity::note, "survey", "", evil, evil});
  data.settings.push_back({evil, evil});
  return data;
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 2) return 2;
  const std::filesystem::path folder = argv[1];
  std::filesystem::create_directories(folder);
  report::write_report(test::sample_report(), folder / "faulty");
  test::SampleOptions clean;
  clean.faults = false;
  clean.rings = 1;
  clean.stations = 36;
  report::write_report(test::sample_report(clean), folder / "clean");
  report::write_report(hostile(), folder / "hostile");
  // As many bytes as pictures of noisy 26-megapixel images can take.
  test::SampleOptions large;
  large.stations = 100;
  large.width_px = 900;
  large.noise = true;
  report::write_report(test::sample_report(large), folder / "large");
  return 0;
}
