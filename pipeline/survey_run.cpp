#include "pipeline/survey_run.h"

#include <fmt/format.h>

#include <algorithm>
#include <optional>

#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"
#include "pipeline/fingerprint.h"
#include "pipeline/interrupt.h"
#include "pipeline/stage_clock.h"
#include "pipeline/survey_cache.h"
#include "stages/survey.h"

namespace trunnion {
namespace {

// Survey of the set, from the journal where its images and settings are the same.
SurveyRun survey_once(const Workspace& workspace, const std::vector<StationImage>& images,
                      Journal& journal, DecodedImages* decoded, Progress& progress) {
  const Settings& settings = workspace.file.settings;
  const Specimen& specimen = workspace.file.specimen;
  std::vector<std::size_t> ring_sizes(specimen.rings.size(), 0);
  for (const StationImage& image : images) ++ring_sizes[image.ring_index];
  const std::vector<std::size_t> picks = survey_stations(ring_sizes, settings.survey.stations);
  progress.start("survey", picks.size());
  Fingerprint print("survey");
  for (const std::size_t pick : picks) print.add(pick).add(journal.input_hash(images[pick].file));
  print.add(settings.written.at("survey")).add(specimen.backdrop);
  std::optional<cv::Mat> empty_stage;
  if (specimen.empty_image) {
    const fs::path file = workspace.root / *specimen.empty_image;
    print.add(journal.input_hash(file));
    empty_stage = read_image(file, image_limits(workspace.file.settings.limits));
  }
  SurveyRun run;
  const std::string inputs = print.hash();
  const auto cached = journal.find("", "survey", inputs);
  if (cached) {
    run.result = survey_from_bytes(*cached);
    progress.finish("unchanged");
  } else {
    const ImageReader read = [&](std::size_t index) {
      check_interrupt();
      cv::Rect missing;
      cv::Mat image =
          read_image(images[index].file, image_limits(workspace.file.settings.limits), &missing);
      // What is missing must be told again by the pass.
      if (decoded != nullptr && missing.empty()) decoded->keep(images[index].file, image);
      progress.step();
      return image;
    };
    run.result = survey(picks, read, empty_stage, specimen.backdrop, settings.survey);
    journal.record("", "survey", inputs, survey_to_bytes(run.result));
    progress.finish(fmt::format("{} static spots", run.result.spots.size()));
  }
  // Images depend on what the survey found, not on what it looked at.
  run.fingerprint = hash_bytes(cached ? *cached : survey_to_bytes(run.result));
  return run;
}

}  // namespace

SurveyRun run_survey(const Workspace& workspace, std::vector<StationImage>& images,
                     Journal& journal, DecodedImages* decoded, Progress& progress,
                     SetOutcome& outcome) {
  const StageClock clock(outcome.seconds, "survey");
  for (;;) {
    try {
      SurveyRun run = survey_once(workspace, images, journal, decoded, progress);
      outcome.findings.insert(outcome.findings.end(), run.result.findings.begin(),
                              run.result.findings.end());
      return run;
    } catch (const Error& error) {
      const auto named = std::find_if(images.begin(), images.end(), [&](const StationImage& image) {
        return std::string_view(error.what()).starts_with(image.file.string() + ":");
      });
      if (error.kind() != Error::Kind::data || named == images.end() || images.size() < 4) throw;
      outcome.findings.push_back({Severity::fault, "survey", named->source, error.what(),
                                  "Mend or export this image again, then run prepare again."});
      images.erase(named);
    }
  }
}

}  // namespace trunnion
