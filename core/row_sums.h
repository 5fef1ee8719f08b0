// Running sums of an image's columns, row after row.
#pragma once

#include <cstddef>
#include <cstdint>

namespace trunnion {

// Adds `count` values of a row to `sums`; they hold 65 536 rows of 16 bit.
void add_row(const std::uint8_t* row, std::size_t count, std::uint32_t* sums);
void add_row(const std::uint16_t* row, std::size_t count, std::uint32_t* sums);

}  // namespace trunnion
