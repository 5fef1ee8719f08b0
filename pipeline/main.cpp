#include "pipeline/command_line.h"
#include "pipeline/freed_memory.h"

int main(int argc, char** argv) {
  trunnion::keep_freed_memory();
  return trunnion::run_command_line(argc, argv);
}
