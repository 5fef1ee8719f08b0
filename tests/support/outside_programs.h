// Programs that are not ours, called by tests that compare with them, and what these read.
#pragma once

#include <string>

#include "stages/annotate/annotate.h"

namespace trunnion::test {

struct Outcome {
  int exit_code = -1;
  std::string out;
};

// Runs a fixed command line of a test on paths of a temporary folder of ours.
Outcome run(const std::string& command);

bool installed(const std::string& program);

// A Python of the system that has the module; empty where there is none.
std::string python_with(const std::string& module);

// Of the sample scene's fourth view, fused from 61 frames.
annotate::Annotation annotation_of(FileType type, const Metadata& source,
                                   const OutputSettings& output = {});

}  // namespace trunnion::test
