// Progress of a command: a list of stages with count, rate and time left on a terminal, plain lines
// elsewhere, nothing with --quiet. Thread-safe; writes to stderr only.
//
// On a terminal all stages are shown in one block, which is redrawn in place at most ten times a
// second and never wider than the terminal. Elsewhere a line
// is printed at the end of each stage and at most once a minute within one.
#pragma once

#include <chrono>
#include <cstdio>
#include <functional>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

namespace trunnion {

// What the stream can show. Colour needs a terminal, no NO_COLOR in the environment
// (https://no-color.org: set and not empty) and a TERM that is not "dumb".
struct TerminalTraits {
  bool terminal = false;
  bool colour = false;
  bool unicode = false;  // the locale is UTF-8
  int columns = 80;
};

TerminalTraits terminal_traits(std::FILE* stream);

class Progress {
 public:
  using Clock = std::function<std::chrono::steady_clock::time_point()>;
  // Also called where nothing is drawn: at the start of a stage and as its images are done; `total`
  // 0: no count is known. May throw at the start of a stage, which ends the run there.
  using Listener =
      std::function<void(const std::string& stage, std::size_t done, std::size_t total)>;
  struct Options {
    bool quiet = false;
    std::FILE* stream = nullptr;             // nullptr: stderr
    std::optional<TerminalTraits> traits{};  // default: those of the stream, asked at every draw
    Clock clock{};                           // default: the steady clock
    Listener listener{};
  };

  // `stages` in the order they will run; a stage started without standing here is appended.
  explicit Progress(std::vector<std::string> stages, Options options);
  explicit Progress(std::vector<std::string> stages) : Progress(std::move(stages), Options()) {}
  Progress() : Progress({}, Options()) {}
  Progress(const Progress&) = delete;
  Progress& operator=(const Progress&) = delete;
  ~Progress();  // an unfinished stage is shown as stopped

  // Begins a stage, finishing the one that runs. `total` 0: no count is known.
  void start(const std::string& stage, std::size_t total = 0);
  void step(std::size_t count = 1);
  // The running stage turns out to have `total` to do, or more.
  void expect(std::size_t total);
  // A line that stays, above the block: a warning with its file.
  void say(const std::string& line);
  // Ends the running stage; `note` stands beside its time ("3 spots").
  void finish(const std::string& note = {});
  // Ends everything; later calls are ignored.
  void close();

 private:
  enum class State { waiting, running, done, stopped };
  struct Stage {
    std::string name;
    State state = State::waiting;
    std::size_t done = 0;
    std::size_t total = 0;
    std::chrono::steady_clock::time_point begun;
    double seconds = 0;
    std::string note;
  };

  [[nodiscard]] TerminalTraits traits() const;
  [[nodiscard]] std::string tail_of(const Stage& stage, const TerminalTraits& traits,
                                    int room) const;
  [[nodiscard]] std::string line_of(const Stage& stage, const TerminalTraits& traits) const;
  void draw(bool force);
  void erase();
  void finish_running(State state, const std::string& note);
  void print_plain(const Stage& stage);

  std::mutex mutex_;
  Options options_;
  std::vector<Stage> stages_;
  std::size_t running_;
  std::size_t lines_drawn_ = 0;
  std::chrono::steady_clock::time_point last_draw_;
  bool closed_ = false;
};

// "48 s", "3 min 20 s", "2 h 05 min".
std::string duration_text(double seconds);

// The closing summary of a command.
struct Summary {
  enum class Mood { good, check, bad };
  struct Item {
    Mood mood = Mood::check;
    std::string where;  // "low 7"
    std::string what;
    std::string remedy;
  };
  Mood mood = Mood::good;
  std::string sentence;
  std::vector<Item> items;
  std::vector<std::pair<std::string, std::string>> outputs;  // label, path
  std::size_t items_shown = 12;                              // the rest is in the report
};

// Wrapped to the terminal, coloured where it may be; never a character that is not in the summary's
// texts but plain ASCII where the locale is not UTF-8. Control characters in texts are shown as
// \x..
std::string format_summary(const Summary& summary, const TerminalTraits& traits);

}  // namespace trunnion
