#include "pipeline/survey_run.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <map>
#include <mutex>
#include <optional>
#include <set>

#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"
#include "pipeline/empty_stage.h"
#include "pipeline/interrupt.h"
#include "pipeline/survey_cache.h"
#include "stages/survey/survey.h"

namespace trunnion {
namespace {

// The stations to examine, in their order, with the number examined by the end of each one's
// round.
struct Picks {
  std::vector<std::size_t> images;
  std::vector<std::size_t> round_end;
};

Picks picks_of(const SetRun& set) {
  std::vector<std::size_t> ring_sizes(set.workspace.file.specimen.rings.size(), 0);
  for (const ingest::StationImage& image : set.images) ++ring_sizes[image.ring_index];
  const SurveySettings& settings = set.settings().survey;
  Picks picks{survey::survey_stations(ring_sizes, settings), {}};
  for (std::size_t k = 0, end = 0; k < picks.images.size(); ++k) {
    if (k == end) end = survey::survey_round_end(k, picks.images.size(), settings);
    picks.round_end.push_back(end);
  }
  return picks;
}

// Reads images for the survey and remembers which could be read.
class SurveyReader {
 public:
  SurveyReader(const SetRun& set, const Picks& picks) : set_(set) {
    for (std::size_t k = 0; k < picks.images.size(); ++k) {
      expected_[picks.images[k]] = picks.round_end[k];
    }
    first_round_ = picks.round_end.front();
  }

  cv::Mat operator()(std::size_t index) {
    check_interrupt();
    set_.progress.expect(expected_.at(index));
    const fs::path& file = set_.images[index].file;
    cv::Rect missing;
    const double begun = thread_seconds();
    cv::Mat image = read_image(file, image_limits(set_.settings().limits), &missing);
    const double decode_seconds = thread_seconds() - begun;
    // What is missing must be reported again by the pass. Further rounds need the memory for what
    // more stations show.
    if (missing.empty()) {
      const bool first = expected_.at(index) == first_round_;
      set_.decoded->keep(file, image, decode_seconds, !first);
    }
    set_.progress.step();
    const std::scoped_lock lock(mutex_);
    read_.insert(index);
    return image;
  }

  // Why each image that can't be read can't, by its index, in the round that was begun last.
  // Threads begin several images at once and leave the others where one fails, so those are tried
  // here: the answer does not depend on who came first.
  std::map<std::size_t, std::string> unreadable(const Picks& picks) {
    std::size_t end = 0;
    for (std::size_t k = 0; k < picks.images.size() && end == 0; ++k) {
      if (!read_.contains(picks.images[k])) end = picks.round_end[k];
    }
    std::map<std::size_t, std::string> found;
    for (std::size_t k = 0; k < end; ++k) {
      const std::size_t index = picks.images[k];
      if (read_.contains(index)) continue;
      try {
        check_interrupt();
        (void)read_image(set_.images[index].file, image_limits(set_.settings().limits));
      } catch (const Error& error) {
        if (error.kind() != Error::Kind::data) throw;
        found[index] = error.what();
      }
    }
    return found;
  }

 private:
  const SetRun& set_;
  std::map<std::size_t, std::size_t> expected_;  // stations in all, by image
  std::size_t first_round_ = 0;
  std::mutex mutex_;
  std::set<std::size_t> read_;
};

// The survey's bytes in the journal where its images and settings are the same. How many stations
// it took is not known beforehand: the survey that ended after a round depends on the images up to
// there, and looking at them again would end it there again.
std::optional<std::string> recorded_survey(const SetRun& set, const Picks& picks,
                                           Fingerprint print) {
  std::optional<std::string> recorded;
  for (std::size_t seen = 0; !recorded && seen < picks.images.size();) {
    const std::size_t end = picks.round_end[seen];
    const auto hash_of = [&](std::size_t k) {
      return set.journal.input_hash(set.images[picks.images[k]].file);
    };
    tbb::parallel_for(seen, end, [&](std::size_t k) { hash_of(k); });
    for (; seen < end; ++seen) print.add(hash_of(seen));
    recorded = set.journal.find("", "survey", print.hash());
  }
  return recorded;
}

// Survey of the set, from the journal where its images and settings are the same.
std::string survey_once(SetRun& set, const Picks& picks, SurveyReader& reader, Fingerprint print) {
  const Specimen& specimen = set.workspace.file.specimen;
  set.progress.expect(picks.round_end.front());
  for (const std::size_t pick : picks.images) print.add(pick);
  print.add(specimen.backdrop);
  if (specimen.empty_image) {
    print.add(set.journal.input_hash(set.workspace.root / *specimen.empty_image));
    // Which specks it is rid of, see EmptyStage.
    print.add(set.settings().written.at("repair"));
  }
  std::optional<std::string> bytes = recorded_survey(set, picks, print);
  const bool unchanged = bytes.has_value();
  if (unchanged) {
    set.survey = survey_from_bytes(*bytes);
  } else {
    const survey::ImageReader read = [&reader](std::size_t index) { return reader(index); };
    set.survey = survey::survey(picks.images, read, read_empty_stage(set.workspace),
                                specimen.backdrop, set.settings().survey);
    for (std::size_t k = 0; k < set.survey.images.size(); ++k) {
      print.add(set.journal.input_hash(set.images[picks.images[k]].file));
    }
    bytes = survey_to_bytes(set.survey);
    set.journal.record("", "survey", print.hash(), *bytes);
  }
  // Images depend on what the survey found, not on which it examined.
  set.survey_fingerprint = hash_bytes(*bytes);
  if (unchanged) return "unchanged";
  return fmt::format("{} static spots, {} stations", set.survey.spots.size(),
                     set.survey.images.size());
}

}  // namespace

std::string run_survey(SetRun& set, const Fingerprint& own) {
  constexpr std::size_t kLeastImages = 3;
  set.add(check_empty_stage(set.workspace, set.images.front()));
  for (;;) {
    const Picks picks = picks_of(set);
    SurveyReader reader(set, picks);
    try {
      return survey_once(set, picks, reader, own);
    } catch (const Error& error) {
      if (error.kind() != Error::Kind::data) throw;
      const std::map<std::size_t, std::string> unreadable = reader.unreadable(picks);
      if (unreadable.empty() || set.images.size() < kLeastImages + unreadable.size()) throw;
      for (const auto& [index, why] : unreadable) {
        set.add({{Severity::fault, "survey", set.images[index].source, why,
                  "Repair this image or export it again, then run prepare again."}});
      }
      for (auto each = unreadable.rbegin(); each != unreadable.rend(); ++each) {
        set.images.erase(set.images.begin() + static_cast<std::ptrdiff_t>(each->first));
      }
    }
  }
}

}  // namespace trunnion
