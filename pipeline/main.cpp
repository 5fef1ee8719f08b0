#include "pipeline/command_line.h"

int main(int argc, char** argv) {
  return trunnion::run_command_line(argc, argv);
}
