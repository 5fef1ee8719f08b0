// A workspace as the user sees it: specimen.toml, fused/, prepared/, .trunnion/. Opening it reads
// and checks all files of the user. workspace_lock.h prevents a second run at the same time.
#pragma once

#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "config/calibration_record.h"
#include "config/review.h"
#include "config/settings.h"
#include "config/setup.h"
#include "core/finding.h"

namespace trunnion {

struct WorkspaceOptions {
  // A calibration record to use instead of the one beside the setup.
  std::optional<std::filesystem::path> calibration{};
  // Use the record even where it does not fit the setup; the mismatch becomes a finding.
  bool ignore_mismatch = false;
  // A capture table to use for this run in place of patterns or the table of specimen.toml.
  std::optional<std::filesystem::path> captures{};
};

struct Workspace {
  std::filesystem::path root;  // as given
  SpecimenFile file;
  std::string specimen_hash;  // of specimen.toml's bytes
  std::string setup_hash;     // of the setup file's bytes
  Review review;              // decisions of a person; none without review.toml
  std::string review_hash;    // of its bytes; empty without it
  Setup setup;
  std::optional<CalibrationRecord> record;
  Findings findings;

  [[nodiscard]] std::filesystem::path prepared() const { return root / "prepared"; }
  [[nodiscard]] std::filesystem::path review_file() const { return root / "review.toml"; }
  [[nodiscard]] std::filesystem::path state() const { return root / ".trunnion"; }
  [[nodiscard]] std::filesystem::path journal() const { return state() / "journal.sqlite"; }
};

// Throws a usage error where `folder` is no workspace, a data error where a file in it is wrong,
// where the record does not fit the setup, or where prepared/ would fall on the inputs.
Workspace open_workspace(const std::filesystem::path& folder, const WorkspaceOptions& options = {});

}  // namespace trunnion
