#include "stages/ingest/ingest.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <fstream>
#include <map>
#include <set>

#include "config/capture_table.h"
#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"
#include "stages/ingest/frames.h"

namespace trunnion::ingest {
namespace {

namespace fs = std::filesystem;
constexpr const char* kStage = "ingest";

// An image that should be there, before its header was read.
struct Candidate {
  std::string source;  // relative to the workspace
  std::size_t ring = 0;
  int station = 0;
  double stage_angle = 0;
  int frames = 0;     // as the user gives it; 0: not given
  std::string frame;  // as the capture table names it
  double tilt = 0;
  std::optional<double> reference_mm;
};

void fault(Findings& findings, const std::string& file, const std::string& what,
           const std::string& remedy) {
  findings.push_back({Severity::fault, kStage, file, what, remedy});
}

// Station number of `name` under a file-name pattern with {station}, or -1.
int station_of(const std::string& name, const std::string& before, const std::string& after) {
  if (name.size() <= before.size() + after.size() || !name.starts_with(before) ||
      !name.ends_with(after)) {
    return -1;
  }
  const char* first = name.data() + before.size();
  const char* last = name.data() + name.size() - after.size();
  if (!std::all_of(first, last, [](char c) { return c >= '0' && c <= '9'; })) return -1;
  int station = -1;
  const auto [end, code] = std::from_chars(first, last, station);
  return code == std::errc() && end == last ? station : -1;
}

std::vector<Candidate> by_pattern(const fs::path& workspace, const Specimen& specimen,
                                  Findings& findings) {
  std::vector<Candidate> candidates;
  for (std::size_t r = 0; r < specimen.rings.size(); ++r) {
    const Ring& ring = specimen.rings[r];
    const fs::path pattern(ring.pattern);
    const std::string name = pattern.filename().string();
    const std::size_t place = name.find("{station}");
    if (place == std::string::npos) {
      throw data_error(fmt::format(
          "specimen.toml: ring \"{}\" has {{station}} in a folder name; put it in the file name.",
          ring.name));
    }
    const std::string before = name.substr(0, place);
    const std::string after = name.substr(place + std::string_view("{station}").size());
    const fs::path folder = workspace / pattern.parent_path();
    std::error_code code;
    std::vector<std::string> names;
    for (const auto& entry : fs::directory_iterator(folder, code)) {
      names.push_back(entry.path().filename().string());
    }
    if (code) {
      fault(findings, pattern.parent_path().string(),
            fmt::format("The folder \"{}\" of ring \"{}\" cannot be read ({}).",
                        pattern.parent_path().string(), ring.name, code.message()),
            "Correct the pattern in specimen.toml or put the images there.");
    }
    std::sort(names.begin(), names.end());
    for (const std::string& found : names) {
      const int station = station_of(found, before, after);
      if (station < 0) continue;
      const std::string source = (pattern.parent_path() / found).generic_string();
      candidates.push_back({source, r, station, ring.angle_of(station), ring.frames, "", ring.tilt,
                            ring.reference_mm});
    }
  }
  return candidates;
}

std::vector<Candidate> by_table(const fs::path& workspace, const Specimen& specimen) {
  const fs::path table = workspace / *specimen.capture_table;
  std::vector<Candidate> candidates;
  for (const CaptureRow& row : read_capture_table(table)) {
    std::size_t r = 0;
    if (!row.ring.empty() || specimen.rings.size() > 1) {
      while (r < specimen.rings.size() && specimen.rings[r].name != row.ring) ++r;
      if (r == specimen.rings.size()) {
        throw data_error(
            fmt::format("{}, line {}: ring \"{}\" is not in specimen.toml; add the "
                        "ring or correct the name.",
                        table.string(), row.line, row.ring));
      }
    }
    const Ring& ring = specimen.rings[r];
    const double angle =
        row.angle ? static_cast<int>(ring.turning) * *row.angle : ring.angle_of(row.station);
    candidates.push_back(
        {row.file, r, row.station, angle, row.frames > 0 ? row.frames : ring.frames, row.frame,
         row.tilt.value_or(ring.tilt), row.reference_mm ? row.reference_mm : ring.reference_mm});
  }
  return candidates;
}

// Stations that the ring does not have are a doubt: more was shot than was planned.
void drop_foreign_stations(std::vector<Candidate>& candidates, const Specimen& specimen,
                           Findings& findings) {
  std::erase_if(candidates, [&](const Candidate& candidate) {
    const Ring& ring = specimen.rings[candidate.ring];
    const int last = ring.first_station + ring.stations - 1;
    if (candidate.station >= ring.first_station && candidate.station <= last) return false;
    findings.push_back(
        {Severity::doubt, kStage, candidate.source,
         fmt::format("{} is station {} of ring \"{}\", which has stations {} to {}; "
                     "it is left out.",
                     candidate.source, candidate.station, ring.name, ring.first_station, last),
         "Remove the image or correct stations in specimen.toml."});
    return true;
  });
}

// Keeps the first image of each station; names the others.
void drop_repeated_stations(std::vector<Candidate>& candidates, const Specimen& specimen,
                            Findings& findings) {
  std::stable_sort(candidates.begin(), candidates.end(), [](const auto& a, const auto& b) {
    return std::pair(a.ring, a.station) < std::pair(b.ring, b.station);
  });
  std::vector<Candidate> kept;
  for (const Candidate& candidate : candidates) {
    if (!kept.empty() && kept.back().ring == candidate.ring &&
        kept.back().station == candidate.station) {
      fault(findings, candidate.source,
            fmt::format("{} and {} are both station {} of ring \"{}\"; the first is used.",
                        kept.back().source, candidate.source, candidate.station,
                        specimen.rings[candidate.ring].name),
            "Remove or rename the one that does not belong there.");
      continue;
    }
    kept.push_back(candidate);
  }
  candidates = std::move(kept);
}

std::string output_name(const std::string& name_template, const std::string& ring, int station) {
  std::string name = name_template;
  const auto replace = [&name](std::string_view key, const std::string& value) {
    for (std::size_t at = name.find(key); at != std::string::npos;
         at = name.find(key, at + value.size())) {
      name.replace(at, key.size(), value);
    }
  };
  replace("{ring}", ring);
  replace("{station}", fmt::format("{:03}", station));
  return name;
}

// Size, channels and depth that most images share; ties go to the first seen.
ImageInfo common_format(const std::vector<StationImage>& images) {
  std::map<std::array<int, 4>, int> votes;
  const auto key = [](const ImageInfo& info) {
    return std::array<int, 4>{info.width_px, info.height_px, info.channels, info.bits};
  };
  const StationImage* best = &images.front();
  for (const StationImage& image : images) ++votes[key(image.info)];
  for (const StationImage& image : images) {
    if (votes[key(image.info)] > votes[key(best->info)]) best = &image;
  }
  return best->info;
}

void drop_mixed_formats(std::vector<StationImage>& images, Findings& findings) {
  if (images.empty()) return;
  const ImageInfo common = common_format(images);
  std::erase_if(images, [&](const StationImage& image) {
    const ImageInfo& info = image.info;
    if (info.width_px == common.width_px && info.height_px == common.height_px &&
        info.channels == common.channels && info.bits == common.bits) {
      return false;
    }
    fault(findings, image.source,
          fmt::format("{} is {} x {} pixels, {} channels, {} bits, but the set is {} x {}, {}, {}; "
                      "it is left out.",
                      image.source, info.width_px, info.height_px, info.channels, info.bits,
                      common.width_px, common.height_px, common.channels, common.bits),
          "Fuse and export this station again with the settings of the others.");
    return true;
  });
}

// Some bytes from the middle of a file: where they differ, it need not be read as a whole.
std::string sample_of(const StationImage& image) {
  constexpr std::size_t kBytes = 4096;
  std::string sample(kBytes, '\0');
  std::ifstream file(image.file, std::ios::binary);
  file.seekg(static_cast<std::streamoff>(image.bytes / 2));
  file.read(sample.data(), static_cast<std::streamsize>(kBytes));
  return sample;
}

void drop_identical(std::vector<StationImage>& images,
                    const std::function<std::string(const fs::path&)>& hash, Findings& findings) {
  std::map<std::uintmax_t, int> sizes;
  for (const StationImage& image : images) ++sizes[image.bytes];
  std::map<std::string, int> samples;
  std::vector<std::string> keys;  // empty where no other image has the same size
  for (const StationImage& image : images) {
    const bool alone = sizes[image.bytes] < 2;
    keys.push_back(alone ? "" : fmt::format("{}:{}", image.bytes, hash_bytes(sample_of(image))));
    ++samples[keys.back()];
  }
  std::map<std::string, const StationImage*> first_of;
  std::set<const StationImage*> dropped;
  for (std::size_t k = 0; k < images.size(); ++k) {
    const StationImage& image = images[k];
    if (keys[k].empty() || samples[keys[k]] < 2) continue;
    const auto [place, fresh] = first_of.emplace(hash(image.file), &image);
    if (fresh) continue;
    fault(findings, image.source,
          fmt::format("{} is identical to {}, byte for byte; it is left out.", image.source,
                      place->second->source),
          "One station's image was copied over another's: export the right one, or remove it.");
    dropped.insert(&image);
  }
  std::vector<StationImage> kept;
  for (const StationImage& image : images) {
    if (!dropped.contains(&image)) kept.push_back(image);
  }
  images = std::move(kept);
}

void report_gaps(const std::vector<StationImage>& images, const Specimen& specimen,
                 const Review& review, Findings& findings) {
  for (std::size_t r = 0; r < specimen.rings.size(); ++r) {
    const Ring& ring = specimen.rings[r];
    std::set<int> present;
    for (const StationImage& image : images) {
      if (image.ring_index == r) present.insert(image.station);
    }
    std::vector<int> missing;
    for (int s = ring.first_station; s < ring.first_station + ring.stations; ++s) {
      if (!present.contains(s) && !review.excludes(ring.name, s)) missing.push_back(s);
    }
    if (missing.empty()) continue;
    const std::size_t shown = std::min<std::size_t>(missing.size(), 12);
    fault(findings, "",
          fmt::format("Ring \"{}\" lacks {} of {} stations: {}{}.", ring.name, missing.size(),
                      ring.stations,
                      fmt::join(missing.begin(), missing.begin() + static_cast<long>(shown), ", "),
                      shown < missing.size() ? ", ..." : ""),
          "Shoot or export the missing stations, or correct stations in specimen.toml.");
  }
}

void check_characters(const Candidate& candidate) {
  for (const std::string& name : {candidate.source, candidate.frame}) {
    if (holds_control_character(name)) {
      throw data_error(
          fmt::format("{}: the name holds a control character; rename the file.", name));
    }
  }
}

// The header as the limits allow it; what they only tolerate becomes a doubt.
ImageInfo probe(const StationImage& image, const ImageLimits& limits, Findings& findings) {
  ImageLimits strict;
  strict.max_pixels = limits.max_pixels;
  try {
    return probe_image(image.file, strict);
  } catch (const Error& error) {
    if (!limits.wrong_extension && !limits.more_pages) throw;
    const ImageInfo info = probe_image(image.file, limits);
    findings.push_back({Severity::doubt, kStage, image.source, error.what(),
                        "It is used nevertheless, because limits in specimen.toml allow it."});
    return info;
  }
}

// Every file that is named by an image, and two images by two names.
void check_output_names(const std::vector<StationImage>& images, const OutputSettings& output) {
  const std::size_t longest_end =
      std::max({std::string_view(".jpeg").size(), output.mask_suffix.size() + 4 /* .png */});
  std::set<std::string> names;
  for (const StationImage& image : images) {
    if (!names.insert(image.name).second) {
      throw data_error(
          fmt::format("specimen.toml: output.name \"{}\" gives two images the name "
                      "{}; use {{ring}} and {{station}} in it.",
                      output.name_template, image.name));
    }
    if (image.name.size() + longest_end > kLongestName) {
      throw data_error(fmt::format(
          "specimen.toml: output.name \"{}\" and output.mask_suffix \"{}\" give file names of {} "
          "bytes, but at most {} are possible; choose shorter ones.",
          output.name_template, output.mask_suffix, image.name.size() + longest_end, kLongestName));
    }
  }
}

}  // namespace

IngestResult ingest(const fs::path& workspace, const Specimen& specimen, const Settings& settings,
                    const std::function<std::string(const fs::path&)>& hash, const Review& review) {
  IngestResult result;
  for (const Ring& ring : specimen.rings) result.stations_expected += ring.stations;
  result.stations_expected -= static_cast<int>(review.excluded.size());
  std::vector<Candidate> candidates = specimen.capture_table
                                          ? by_table(workspace, specimen)
                                          : by_pattern(workspace, specimen, result.findings);
  std::erase_if(candidates, [&](const Candidate& candidate) {
    return review.excludes(specimen.rings[candidate.ring].name, candidate.station);
  });
  drop_foreign_stations(candidates, specimen, result.findings);
  drop_repeated_stations(candidates, specimen, result.findings);
  const ImageLimits limits = image_limits(settings.limits);
  const fs::path root = fs::weakly_canonical(workspace);
  for (const Candidate& candidate : candidates) {
    StationImage image;
    image.source = candidate.source;
    image.file = workspace / candidate.source;
    image.ring_index = candidate.ring;
    image.ring = specimen.rings[candidate.ring].name;
    image.station = candidate.station;
    image.stage_angle = candidate.stage_angle;
    image.name = output_name(settings.output.name_template, image.ring, image.station);
    image.frame = candidate.frame;
    image.frames = candidate.frames;
    image.tilt = candidate.tilt;
    image.reference_mm = candidate.reference_mm;
    try {
      check_characters(candidate);
      image.info = probe(image, limits, result.findings);
      image.bytes = fs::file_size(image.file);
      result.images.push_back(image);
    } catch (const Error& error) {
      fault(result.findings, image.source, error.what(), "Export this station's image again.");
    }
  }
  drop_mixed_formats(result.images, result.findings);
  drop_identical(result.images, hash, result.findings);
  report_gaps(result.images, specimen, review, result.findings);
  find_frames(workspace, settings.output.frame_pattern, result.images, result.findings);
  check_output_names(result.images, settings.output);
  if (result.images.empty()) {
    std::string causes;
    for (const Finding& finding : result.findings) causes += "\n  " + finding.what;
    throw data_error(fmt::format(
        "{}: no usable fused image was found; check the pattern in "
        "specimen.toml{}.{}",
        root.string(), review.excluded.empty() ? "" : " and what review.toml excludes", causes));
  }
  return result;
}

}  // namespace trunnion::ingest
