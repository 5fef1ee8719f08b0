// The part of annotate that decides what is carried over from the source image.
#pragma once

#include <string>

#include "core/finding.h"
#include "core/metadata.h"

namespace trunnion::annotate {

struct Carried {
  Metadata metadata;
  std::string maker_note;  // where the file type can't hold it: for the sidecar
  bool had_thumbnail = false;
  bool srgb = false;     // a PNG said so by its own chunk
  std::string software;  // of the source, for the history
  std::string unique_id;
  Findings findings;
};

// A single frame of the series, where one is given. It only fills what the source lacks: who, when,
// where and how it was taken; never the file's own identity, software, profile or development.
struct SourceFrame {
  const Metadata* metadata = nullptr;
  std::string file;
};

// `file` names the image in the findings. `channels` is that of the image to be written.
Carried carry_metadata(const Metadata& source, const SourceFrame& frame, FileType type,
                       int channels, const std::string& file);

// Xmp.NAMESPACE.Property of a key that may go deeper into it.
std::string property_of(const std::string& key);

}  // namespace trunnion::annotate
