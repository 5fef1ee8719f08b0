// Errors as the user reads them: one clear sentence that names the file, what is wrong and what
// to do. Nothing else is thrown across floors.
#pragma once

#include <stdexcept>
#include <string>

namespace trunnion {

class Error : public std::runtime_error {
 public:
  enum class Kind {
    usage,        // the call was wrong: exit 2
    data,         // a file or its content is wrong: exit 1
    output,       // a result could not be written (disk full, permissions), which says nothing of
                  // the inputs: the run stops, what is finished stays: exit 1
    interrupted,  // the user asked to stop: exit 130
  };
  Error(Kind kind, const std::string& sentence) : std::runtime_error(sentence), kind_(kind) {}
  [[nodiscard]] Kind kind() const { return kind_; }

 private:
  Kind kind_;
};

[[nodiscard]] inline Error usage_error(const std::string& sentence) {
  return {Error::Kind::usage, sentence};
}
[[nodiscard]] inline Error data_error(const std::string& sentence) {
  return {Error::Kind::data, sentence};
}
[[nodiscard]] inline Error output_error(const std::string& sentence) {
  return {Error::Kind::output, sentence};
}

}  // namespace trunnion
