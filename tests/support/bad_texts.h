// Tables of faulty settings, setups, capture tables, records and templates, each with what the
// message about it must name.
#pragma once

#include <string>
#include <vector>

namespace trunnion::test {

struct BadText {
  const char* name;
  std::string text;
  const char* message;
};

// A specimen file of one ring.
std::string specimen_text(const std::string& ring_lines, const std::string& tables = "",
                          const std::string& top = "setup = \"../setups/demo.toml\"\n");

// All of them go with the demo of four stations of 180 x 144 px.
std::vector<BadText> bad_specimens();
std::vector<BadText> bad_setups();
std::vector<BadText> bad_capture_tables();
// `good`: the demo's own record.
std::vector<BadText> bad_records(const std::string& good);
std::vector<BadText> bad_templates();

}  // namespace trunnion::test
