// One libFuzzer program a target; TRUNNION_FUZZ_TARGET is its function.
#include <cstddef>
#include <cstdint>

#include "tests/fuzz/targets.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size);

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  trunnion::test::TRUNNION_FUZZ_TARGET({reinterpret_cast<const char*>(data), size});
  return 0;
}
