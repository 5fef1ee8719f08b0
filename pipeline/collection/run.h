// Runs prepare over what is to do in a collection, several specimens at once, each in a process of
// its own.
#pragma once

#include <string>
#include <vector>

#include "config/collection.h"
#include "pipeline/collection/specimens.h"
#include "pipeline/progress.h"

namespace trunnion::collection {

struct RunOptions {
  int jobs = 0;          // threads of all runs together; 0: one a core
  double memory_mb = 0;  // for all of them together; 0: what the system can give
  bool again = false;    // also those that failed and did not change since
};

// How many may start now: by threads and memory.
struct Share {
  int threads = 0;  // of the next run; 0: it has to wait
};

struct Resources {
  int threads = 1;
  double megabytes = 0;
};

// Of the next run, where `used` is taken, `running` run and `waiting` wait, the next among them.
// One run at a time always gets its share, however little memory there is.
Share share_of_next(const Resources& all, const Resources& used, std::size_t running,
                    std::size_t waiting, double megapixels);

struct RunOutcome {
  std::vector<SpecimenState> specimens;  // as they stand after the run
  std::size_t unchanged = 0;             // had nothing to do
  std::size_t prepared = 0;              // came to their end in this run
  std::size_t failed = 0;
  double seconds = 0;
};

// Throws Error::Kind::interrupted where the user asked to stop: what is finished stays, and the
// next run goes on.
RunOutcome run(const Collection& collection, const RunOptions& options, Progress& progress);

}  // namespace trunnion::collection
