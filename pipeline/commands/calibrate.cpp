// trunnion calibrate: the parent of the calibrations of one setup.
#include "pipeline/command_line.h"

namespace trunnion {

void add_calibrate(CLI::App& app) {
  CLI::App* calibrate = app.add_subcommand(
      "calibrate", "Calibrate a setup: the lens first, then the rotation axis; or both jointly");
  calibrate->require_subcommand(1);
  add_calibrate_lens(*calibrate);
  add_calibrate_axis(*calibrate);
  add_calibrate_joint(*calibrate);
}

}  // namespace trunnion
