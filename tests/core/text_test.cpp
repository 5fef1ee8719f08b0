#include "core/text.h"

#include <gtest/gtest.h>

#include <string>
#include <utility>

namespace trunnion {
namespace text_test {

// RFC 4648, section 10, "Test Vectors".
TEST(Text, Base64FollowsTheStandardsVectors) {
  const std::pair<const char*, const char*> vectors[] = {{"", ""},
                                                         {"f", "Zg=="},
                                                         {"fo", "Zm8="},
                                                         {"foo", "Zm9v"},
                                                         {"foob", "Zm9vYg=="},
                                                         {"fooba", "Zm9vYmE="},
                                                         {"foobar", "Zm9vYmFy"}};
  for (const auto& [bytes, text] : vectors) {
    EXPECT_EQ(base64(bytes), text);
    EXPECT_EQ(from_base64(text), bytes);
  }
}

TEST(Text, Base64CarriesEveryByte) {
  std::string bytes;
  for (int value = 255; value >= 0; --value) bytes.push_back(static_cast<char>(value));
  EXPECT_EQ(from_base64(base64(bytes)), bytes);
}

TEST(Text, NumbersReadBackAndZeroHasNoSign) {
  EXPECT_EQ(number_text(-0.0), "0");
  EXPECT_EQ(std::stod(number_text(0.1 + 0.2)), 0.1 + 0.2);
}

}  // namespace text_test
}  // namespace trunnion
