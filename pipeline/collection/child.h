// A run of this same program in a process of its own: a crash ends nothing but that run.
#pragma once

#include <sys/types.h>

#include <optional>
#include <string>
#include <vector>

namespace trunnion::collection {

class Child {
 public:
  // Starts `trunnion ARGUMENTS` in a process group of its own (Ctrl-C on the terminal reaches this
  // program alone, which passes it on); it is asked to stop where this program ends. What it prints
  // is kept.
  explicit Child(const std::vector<std::string>& arguments);
  Child(Child&& other) noexcept;
  Child& operator=(Child&& other) noexcept;
  Child(const Child&) = delete;
  Child& operator=(const Child&) = delete;
  // Ends it where it still runs.
  ~Child();

  struct End {
    int exit_code = 0;
    int signal = 0;  // that ended it; 0: none did
    std::string out;
    std::string errors;
  };
  // None while it runs.
  std::optional<End> ended();
  void ask_to_stop() const;

 private:
  pid_t process_ = -1;
  int out_ = -1;  // files without a name
  int errors_ = -1;
};

}  // namespace trunnion::collection
