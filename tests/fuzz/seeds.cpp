// Writes seed inputs for the fuzz targets: fuzz_seeds FOLDER.
#include <iostream>

#include "core/error.h"
#include "core/metadata.h"
#include "tests/fuzz/seed_inputs.h"

int main(int argc, char** argv) {
  if (argc != 2) {
    std::cerr << "usage: fuzz_seeds FOLDER\n";
    return 2;
  }
  try {
    trunnion::initialise_metadata();
    trunnion::test::write_seed_inputs(argv[1]);
  } catch (const trunnion::Error& error) {
    std::cerr << error.what() << '\n';
    return 1;
  }
  return 0;
}
