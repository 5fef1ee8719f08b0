#include "core/row_sums.h"

#include "core/vector_code.h"

namespace trunnion {

TRUNNION_VECTOR_CODE
void add_row(const std::uint8_t* __restrict row, std::size_t count,
             std::uint32_t* __restrict sums) {
  for (std::size_t i = 0; i < count; ++i) sums[i] += row[i];
}

TRUNNION_VECTOR_CODE
void add_row(const std::uint16_t* __restrict row, std::size_t count,
             std::uint32_t* __restrict sums) {
  for (std::size_t i = 0; i < count; ++i) sums[i] += row[i];
}

}  // namespace trunnion
