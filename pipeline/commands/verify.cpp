#include <fmt/format.h>

#include <memory>
#include <set>

#include "config/settings.h"
#include "core/error.h"
#include "core/finding_text.h"
#include "pipeline/bag/bag.h"
#include "pipeline/command_line.h"
#include "pipeline/journal.h"
#include "stages/exports/exports.h"
#include "stages/verify/verify.h"

namespace trunnion {
namespace {

Manifest manifest_of(const fs::path& workspace) {
  const fs::path file = workspace / ".trunnion" / "journal.sqlite";
  if (!fs::exists(file)) {
    throw data_error(fmt::format("{}: has no journal of a run; run trunnion prepare first.",
                                 workspace.string()));
  }
  Manifest manifest;
  for (const RecordedOutput& output : Journal(file, Journal::IfDamaged::refuse).outputs()) {
    if (!output.path.starts_with("prepared/")) continue;  // caches may come and go
    manifest.files.push_back({output.path, output.bytes, output.hash});
  }
  return manifest;
}

// The files that specimen.toml's templates give, where it can still be read: a change of settings
// since the run shows as a difference.
verify::TextRenderer renderer_of(const fs::path& workspace, const Manifest& manifest) {
  const auto templates = read_specimen(workspace / "specimen.toml").settings.output.templates;
  std::set<std::string> recorded;
  for (const ManifestFile& file : manifest.files) recorded.insert(file.path);
  return [templates, recorded](const Scene& scene) {
    exports::TextFiles all;
    for (const TemplateSettings& each : templates) {
      for (auto& file : exports::render_template(scene, each)) {
        if (recorded.contains("prepared/" + file.first)) all.push_back(std::move(file));
      }
    }
    return all;
  };
}

bool any_fault(const verify::VerifyResult& result) {
  for (const Finding& finding : result.findings) {
    if (finding.severity == Severity::fault) return true;
  }
  return false;
}

std::string text_of(const verify::VerifyResult& result) {
  std::string text =
      fmt::format("Compared {} files ({:.1f} MB) and {} images with the journal.\n", result.files,
                  static_cast<double>(result.bytes) / 1e6, result.images);
  for (const verify::FormatAgreement& format : result.formats) {
    text += fmt::format("  {:<32} within {:.2g} px of cameras.json ({:g} allowed)\n", format.file,
                        format.largest_px, format.allowed_px);
  }
  if (result.texts > 0) {
    text += fmt::format("  {} files from templates compared with cameras.json\n", result.texts);
  }
  text += findings_text(result.findings);
  text += any_fault(result) ? "Some files do not agree.\n" : "Everything agrees.\n";
  return text;
}

nlohmann::ordered_json json_of(const verify::VerifyResult& result) {
  nlohmann::ordered_json json{
      {"files", result.files},      {"bytes", result.bytes},
      {"images", result.images},    {"texts", result.texts},
      {"fits", !any_fault(result)}, {"formats", nlohmann::ordered_json::array()}};
  for (const verify::FormatAgreement& format : result.formats) {
    json["formats"].push_back({{"file", format.file},
                               {"largest_px", format.largest_px},
                               {"allowed_px", format.allowed_px}});
  }
  json["findings"] = findings_json(result.findings, FindingStage::left_out);
  return json;
}

// A package is checked by its own checksums; the journal stayed with the workspace.
CommandResult verify_bag(const fs::path& folder) {
  const bag::BagCheck result = bag::check(folder);
  const bool sound = result.findings.empty();
  return {fmt::format("Package: compared {} files ({:.1f} MB) with their checksums.\n{}{}",
                      result.files, static_cast<double>(result.bytes) / 1e6,
                      findings_text(result.findings),
                      sound ? "Complete and unchanged.\n" : "The package is not sound.\n"),
          {{"files", result.files},
           {"bytes", result.bytes},
           {"fits", sound},
           {"findings", findings_json(result.findings, FindingStage::left_out)}},
          sound ? 0 : 1,
          errors_of(result.findings)};
}

}  // namespace

void add_verify(CLI::App& app) {
  auto workspace = std::make_shared<std::string>();
  CLI::App* command = add_command(
      app, "verify",
      "Read back everything prepare wrote and compare it with the journal, or a package with its "
      "checksums",
      [workspace](const Common&) {
        if (!fs::is_directory(*workspace)) {
          throw usage_error(
              fmt::format("{}: no such folder; give a workspace or a package.", *workspace));
        }
        if (bag::is_bag(*workspace)) return verify_bag(*workspace);
        const Manifest manifest = manifest_of(*workspace);
        verify::VerifyOptions options;
        Findings doubts;
        try {
          options.texts = renderer_of(*workspace, manifest);
        } catch (const Error& error) {
          doubts.push_back(
              {Severity::doubt, "verify", "specimen.toml", error.what(),
               "Files from templates were not compared; correct specimen.toml and verify again."});
        }
        verify::VerifyResult result = verify::verify(*workspace, manifest, options);
        result.findings.insert(result.findings.end(), doubts.begin(), doubts.end());
        return CommandResult{text_of(result), json_of(result), any_fault(result) ? 1 : 0,
                             errors_of(result.findings)};
      },
      Workers::one);
  command
      ->add_option("workspace", *workspace, "Folder with specimen.toml, or a package of hand-over")
      ->required();
}

}  // namespace trunnion
