#include "core/freed_memory.h"
#include "pipeline/command_line.h"

int main(int argc, char** argv) {
  trunnion::keep_freed_memory();
  return trunnion::run_command_line(argc, argv);
}
