#include <glog/logging.h>

#include "core/freed_memory.h"
#include "pipeline/command_line.h"

int main(int argc, char** argv) {
  // The solver warns of steps that it rejects, as it does by design; what a user has to know is a
  // finding.
  FLAGS_minloglevel = google::GLOG_FATAL;
  trunnion::keep_freed_memory();
  return trunnion::run_command_line(argc, argv);
}
