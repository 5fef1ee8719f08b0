#include "pipeline/workspace.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"
#include "pipeline/guard_inputs.h"

namespace trunnion {
namespace {

// As many pixels as the image is wide or high leave all or nothing of a mask; in mm that is easily
// asked for.
void guard_margin(const Workspace& workspace) {
  const MaskSettings& mask = workspace.file.settings.mask;
  const Setup& setup = workspace.setup;
  const double pixel_mm = setup.object_pixel_um() / 1000.0;
  const double margin = mask.margin_px + mask.margin_mm / pixel_mm;
  const int most = std::min(setup.width_px, setup.height_px);
  if (std::abs(margin) < most) return;
  throw data_error(fmt::format(
      "{}: mask.margin_px = {} and mask.margin_mm = {} make a margin of {:.0f} px at {:.5f} mm a "
      "pixel, but it has to be less than the shorter side of the images, {} px; give a smaller "
      "one.",
      (workspace.root / "specimen.toml").string(), mask.margin_px, mask.margin_mm, margin, pixel_mm,
      most));
}

void load_record(Workspace& workspace, const WorkspaceOptions& options) {
  const fs::path file =
      options.calibration.value_or(record_path(workspace.file.specimen.setup_file));
  if (!options.calibration && !fs::exists(file)) return;
  workspace.record = read_record(file);
  const std::vector<std::string> differing =
      mismatches(*workspace.record, workspace.setup, workspace.file.specimen.tells_reference());
  const double measured = measured_magnification(*workspace.record);
  if (measured > 0) workspace.setup.measured_magnification = measured;
  if (differing.empty()) return;
  const std::string sentence = fmt::format("{} does not fit the setup {}: {}", file.string(),
                                           workspace.setup.name, fmt::join(differing, "; "));
  if (!options.ignore_mismatch) {
    const bool other_slice = workspace.record->reference != workspace.setup.reference;
    throw data_error(sentence +
                     (other_slice && workspace.setup.moves == FocusMotion::rail
                          ? ". Give reference_mm, the rail position of the reference slice, for "
                            "every [[ring]] in specimen.toml"
                          : "") +
                     ". Calibrate this setup, or pass --ignore-calibration-mismatch to use the "
                     "record nevertheless.");
  }
  workspace.findings.push_back({Severity::doubt, "workspace", file.string(), sentence + ".",
                                "It was used because you asked for it; calibrate this setup."});
}

}  // namespace

Workspace open_workspace(const fs::path& folder, const WorkspaceOptions& options) {
  const fs::path file = folder / "specimen.toml";
  if (!fs::is_directory(folder)) {
    throw usage_error(
        fmt::format("{}: no such folder; give a workspace, a folder that holds "
                    "specimen.toml.",
                    folder.string()));
  }
  if (!fs::exists(file)) {
    throw usage_error(
        fmt::format("{}: contains no specimen.toml; write one (see docs/workspace.md) or "
                    "let trunnion plan write it.",
                    folder.string()));
  }
  Workspace workspace;
  workspace.root = folder;
  workspace.file = read_specimen(file);
  workspace.specimen_hash = hash_file(file);
  workspace.review = read_review(workspace.review_file(), workspace.file.specimen);
  if (fs::exists(workspace.review_file())) {
    workspace.review_hash = hash_file(workspace.review_file());
  }
  workspace.setup = read_setup(workspace.file.specimen.setup_file);
  workspace.setup_hash = hash_file(workspace.file.specimen.setup_file);
  load_record(workspace, options);
  if (options.captures) {
    workspace.file.specimen.capture_table = fs::absolute(*options.captures).string();
    workspace.findings.push_back(
        {Severity::note, "ingest", "",
         fmt::format("Stations and angles come from {}, given by --apply-captures.",
                     options.captures->string()),
         "Name it as [captures] table in specimen.toml to use it in every run."});
  }
  guard_inputs(workspace);
  guard_margin(workspace);
  return workspace;
}

}  // namespace trunnion
