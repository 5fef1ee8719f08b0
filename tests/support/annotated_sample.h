// A sample image that is annotated, for tests of what its metadata keep.
#pragma once

#include <filesystem>
#include <string>

#include "stages/annotate/annotate.h"

namespace trunnion::test {

struct SampleCase {
  FileType type;
  int depth;
};

std::filesystem::path write_sample(const std::filesystem::path& folder, const SampleCase& c,
                                   const std::string& stem);

// Of the sample scene's fourth view, fused from 61 frames.
annotate::Annotation annotation_for(const Metadata& source, const SampleCase& c,
                                    const OutputSettings& output = {});

// What the findings say, one a line.
std::string sentences(const Findings& findings);

// What the policy says stays identical, by kind.
void expect_kept(const Metadata& source, const Metadata& found);

// Of an Exif tag; empty where there is none.
std::string tag_text(const Metadata& metadata, const char* key);

}  // namespace trunnion::test
