#include "pipeline/survey_run.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <map>
#include <optional>

#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"
#include "pipeline/empty_stage.h"
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
  const std::vector<std::size_t> picks = survey_stations(ring_sizes, settings.survey);
  const std::size_t first_round = survey_round_end(0, picks.size(), settings.survey);
  progress.start("survey", first_round);
  Fingerprint print("survey");
  for (const std::size_t pick : picks) print.add(pick);
  print.add(settings.written.at("survey")).add(specimen.backdrop);
  if (specimen.empty_image) {
    print.add(journal.input_hash(workspace.root / *specimen.empty_image));
    print.add(settings.written.at("repair"));  // which specks it is rid of, see EmptyStage
  }
  SurveyRun run;
  const Fingerprint base = print;
  // How many stations it took is not known beforehand: the survey that ended after a round depends
  // on the images up to there, and looking at them again would end it there again.
  std::optional<std::string> cached;
  for (std::size_t seen = 0; !cached && seen < picks.size();) {
    const std::size_t end = survey_round_end(seen, picks.size(), settings.survey);
    tbb::parallel_for(seen, end, [&](std::size_t k) { journal.input_hash(images[picks[k]].file); });
    for (; seen < end; ++seen) print.add(journal.input_hash(images[picks[seen]].file));
    cached = journal.find("", "survey", print.hash());
  }
  if (cached) {
    run.result = survey_from_bytes(*cached);
    progress.finish("unchanged");
  } else {
    std::map<std::size_t, std::size_t> expected;  // stations in all, by image
    for (std::size_t seen = 0, end = 0; seen < picks.size(); ++seen) {
      if (seen == end) end = survey_round_end(seen, picks.size(), settings.survey);
      expected[picks[seen]] = end;
    }
    const ImageReader read = [&](std::size_t index) {
      check_interrupt();
      progress.expect(expected.at(index));
      cv::Rect missing;
      const double begun = thread_seconds();
      cv::Mat image =
          read_image(images[index].file, image_limits(workspace.file.settings.limits), &missing);
      const double decode_seconds = thread_seconds() - begun;
      // What is missing must be told again by the pass. Further rounds need the memory for what
      // more stations show.
      if (decoded != nullptr && missing.empty()) {
        const bool first = expected.at(index) == first_round;
        decoded->keep(images[index].file, image, decode_seconds, !first);
      }
      progress.step();
      return image;
    };
    run.result =
        survey(picks, read, read_empty_stage(workspace), specimen.backdrop, settings.survey);
    Fingerprint looked_at = base;
    for (std::size_t k = 0; k < run.result.images.size(); ++k) {
      looked_at.add(journal.input_hash(images[picks[k]].file));
    }
    journal.record("", "survey", looked_at.hash(), survey_to_bytes(run.result));
    progress.finish(fmt::format("{} static spots, {} stations", run.result.spots.size(),
                                run.result.images.size()));
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
  const Findings about_empty = check_empty_stage(workspace, images.front());
  outcome.findings.insert(outcome.findings.end(), about_empty.begin(), about_empty.end());
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
                                  "Repair this image or export it again, then run prepare again."});
      images.erase(named);
    }
  }
}

}  // namespace trunnion
