#include "pipeline/progress.h"

#include <fmt/format.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>
#include <clocale>
#include <cmath>
#include <cstdlib>
#include <cstring>

#include "pipeline/text.h"

namespace trunnion {
namespace {

using namespace std::chrono_literals;

constexpr auto kRedraw = 100ms;
constexpr auto kPlainEvery = 60s;
constexpr std::size_t kNone = static_cast<std::size_t>(-1);

double seconds_between(std::chrono::steady_clock::time_point a,
                       std::chrono::steady_clock::time_point b) {
  return std::chrono::duration<double>(b - a).count();
}

// "2.4/s", or "3.1 s each" where one takes longer than a second.
std::string rate_text(std::size_t done, double seconds) {
  if (done == 0 || seconds <= 0) return {};
  const double rate = static_cast<double>(done) / seconds;
  return rate >= 1 ? fmt::format("{:.1f}/s", rate) : fmt::format("{:.1f} s each", 1 / rate);
}

std::string bar(std::size_t done, std::size_t total, int width, bool unicode) {
  const double share =
      total == 0 ? 0 : std::min(1.0, static_cast<double>(done) / static_cast<double>(total));
  const int full = static_cast<int>(std::floor(share * width));
  std::string text;
  for (int i = 0; i < width; ++i) {
    text += i < full ? (unicode ? "\u2501" : "=") : (unicode ? "\u2500" : "-");
  }
  return text;
}

}  // namespace

TerminalTraits terminal_traits(std::FILE* stream) {
  TerminalTraits traits;
  const int descriptor = ::fileno(stream);
  traits.terminal = ::isatty(descriptor) != 0;
  const char* kind = std::getenv("TERM");
  const bool dumb = kind == nullptr || std::strcmp(kind, "dumb") == 0;
  if (dumb) traits.terminal = false;  // can't move the cursor
  const char* no_colour = std::getenv("NO_COLOR");
  traits.colour = traits.terminal && (no_colour == nullptr || *no_colour == '\0');
  traits.unicode = locale_is_utf8();
  // Widths of characters (wcwidth) follow the user's locale; numbers must not, so LC_CTYPE only.
  static const char* const kLocale = std::setlocale(LC_CTYPE, "");
  static_cast<void>(kLocale);
  winsize size{};
  if (::ioctl(descriptor, TIOCGWINSZ, &size) == 0 && size.ws_col > 0) traits.columns = size.ws_col;
  return traits;
}

Progress::Progress(std::vector<std::string> stages, Options options)
    : options_(std::move(options)), running_(kNone) {
  if (options_.stream == nullptr) options_.stream = stderr;
  if (!options_.clock) options_.clock = [] { return std::chrono::steady_clock::now(); };
  for (std::string& name : stages) stages_.emplace_back().name = std::move(name);
}

Progress::~Progress() {
  close();
}

TerminalTraits Progress::traits() const {
  return options_.traits ? *options_.traits : terminal_traits(options_.stream);
}

void Progress::start(const std::string& stage, std::size_t total) {
  const std::lock_guard lock(mutex_);
  if (closed_) return;
  finish_running(State::done, {});
  const auto waiting = std::find_if(stages_.begin(), stages_.end(), [&](const Stage& s) {
    return s.name == stage && s.state == State::waiting;
  });
  running_ = static_cast<std::size_t>(waiting - stages_.begin());
  if (waiting == stages_.end()) stages_.emplace_back().name = stage;
  stages_[running_].state = State::running;
  stages_[running_].total = total;
  stages_[running_].begun = options_.clock();
  last_draw_ = options_.clock();
  draw(true);
  if (options_.listener) options_.listener(stage, 0, total);
}

void Progress::step(std::size_t count) {
  const std::lock_guard lock(mutex_);
  if (closed_ || running_ == kNone) return;
  Stage& stage = stages_[running_];
  stage.done += count;
  draw(false);
  if (options_.listener) options_.listener(stage.name, stage.done, stage.total);
}

void Progress::expect(std::size_t total) {
  const std::lock_guard lock(mutex_);
  if (closed_ || running_ == kNone) return;
  stages_[running_].total = std::max(stages_[running_].total, total);
}

void Progress::say(const std::string& line) {
  const std::lock_guard lock(mutex_);
  if (closed_ || options_.quiet) return;
  erase();
  show(options_.stream, printable(line, traits().unicode) + "\n");
  draw(true);
}

void Progress::finish(const std::string& note) {
  const std::lock_guard lock(mutex_);
  if (closed_) return;
  finish_running(State::done, note);
  draw(true);
}

void Progress::close() {
  const std::lock_guard lock(mutex_);
  if (closed_) return;
  finish_running(State::stopped, {});
  // What never ran need not stay on the screen.
  std::erase_if(stages_, [](const Stage& s) { return s.state == State::waiting; });
  draw(true);
  closed_ = true;
}

void Progress::finish_running(State state, const std::string& note) {
  if (running_ == kNone) return;
  Stage& stage = stages_[running_];
  stage.state = state;
  stage.seconds = seconds_between(stage.begun, options_.clock());
  stage.note = note;
  running_ = kNone;
  if (!options_.quiet && !traits().terminal) print_plain(stage);
}

void Progress::print_plain(const Stage& stage) {
  const TerminalTraits t = traits();
  std::string line = stage.name;
  if (stage.total > 0) line += fmt::format(": {} of {}", stage.done, stage.total);
  if (stage.state == State::running) {
    const double elapsed = seconds_between(stage.begun, options_.clock());
    const std::string rate = rate_text(stage.done, elapsed);
    if (!rate.empty()) line += ", " + rate;
  } else {
    line += fmt::format("{} {}", stage.state == State::stopped ? ", stopped after" : ", done in",
                        duration_text(stage.seconds));
    if (!stage.note.empty()) line += ", " + stage.note;
  }
  show(options_.stream, printable(line, t.unicode) + "\n");
  std::fflush(options_.stream);
}

// What stands beside the name: count and time always; note, bar and rate where `room` columns hold
// them.
std::string Progress::tail_of(const Stage& stage, const TerminalTraits& t, int room) const {
  std::string tail;
  const auto fits = [&](const std::string& more) { return columns_of(tail + more) <= room; };
  if (stage.state == State::waiting) return tail;
  if (stage.state != State::running) {
    if (stage.total > 0) tail += fmt::format("{}/{}  ", stage.done, stage.total);
    tail += duration_text(stage.seconds);
    const int left = room - columns_of(tail) - 2;
    if (!stage.note.empty() && left >= 8)
      tail += "  " + clip(printable(stage.note, t.unicode), left);
    return tail;
  }
  if (stage.total == 0) return tail;
  const double elapsed = seconds_between(stage.begun, options_.clock());
  tail = fmt::format("{}/{}", stage.done, stage.total);
  const std::string rate = rate_text(stage.done, elapsed);
  std::string left;
  if (stage.done > 0 && stage.done < stage.total) {
    left = fmt::format("  {} left", duration_text(elapsed / static_cast<double>(stage.done) *
                                                  static_cast<double>(stage.total - stage.done)));
  }
  if (!rate.empty() && fits("  " + rate + left)) tail += "  " + rate;
  tail += left;
  const std::string drawn = bar(stage.done, stage.total, 16, t.unicode) + "  ";
  return fits(drawn) ? drawn + tail : tail;
}

std::string Progress::line_of(const Stage& stage, const TerminalTraits& t) const {
  const char* mark = nullptr;
  const char* colour = "";
  switch (stage.state) {
    case State::waiting:
      mark = t.unicode ? "\u00b7" : ".";
      colour = "\x1b[2m";
      break;
    case State::running:
      mark = t.unicode ? "\u25d0" : ">";
      colour = "\x1b[1m";
      break;
    case State::done:
      mark = t.unicode ? "\u25cf" : "*";
      colour = "\x1b[32m";
      break;
    case State::stopped:
      mark = t.unicode ? "\u25cb" : "x";
      colour = "\x1b[33m";
      break;
  }
  // The last column stays free: some terminals wrap when it is filled.
  const int room = std::max(8, t.columns - 3);
  // A long note or a bar never covers the name: they take what names and counts leave.
  int longest = 0;
  for (const Stage& each : stages_) longest = std::max(longest, columns_of(each.name));
  const int wanted = std::min({longest, 30, room});
  const std::string tail = clip(printable(tail_of(stage, t, room - wanted - 2), t.unicode),
                                room - 2);  // two columns part it from the name
  const int name_room = tail.empty() ? room : std::max(0, room - columns_of(tail) - 2);
  std::string name = clip(printable(stage.name, t.unicode), name_room);
  const int name_columns = std::min(name_room, wanted);
  name += std::string(static_cast<std::size_t>(std::max(0, name_columns - columns_of(name))), ' ');
  const std::string text = tail.empty() ? name : name + "  " + tail;
  return t.colour ? fmt::format("{}{}\x1b[0m {}", colour, mark, text)
                  : fmt::format("{} {}", mark, text);
}

void Progress::draw(bool force) {
  if (options_.quiet) return;
  const auto now = options_.clock();
  const TerminalTraits t = traits();
  if (!t.terminal) {
    if (!force && running_ != kNone && now - last_draw_ >= kPlainEvery) {
      last_draw_ = now;
      print_plain(stages_[running_]);
    }
    return;
  }
  if (!force && now - last_draw_ < kRedraw) return;
  last_draw_ = now;
  std::string text = lines_drawn_ > 0 ? fmt::format("\x1b[{}A", lines_drawn_) : std::string();
  for (const Stage& stage : stages_) text += "\r" + line_of(stage, t) + "\x1b[K\n";
  text += "\x1b[J";
  lines_drawn_ = stages_.size();
  show(options_.stream, text);
  std::fflush(options_.stream);
}

void Progress::erase() {
  if (lines_drawn_ == 0) return;
  show(options_.stream, fmt::format("\x1b[{}A\r\x1b[J", lines_drawn_));
  lines_drawn_ = 0;
}

std::string duration_text(double seconds) {
  const auto whole = static_cast<long>(std::lround(std::max(0.0, seconds)));
  if (seconds < 9.95) return fmt::format("{:.1f} s", std::max(0.0, seconds));
  if (whole < 60) return fmt::format("{} s", whole);
  if (whole < 3600) return fmt::format("{} min {:02} s", whole / 60, whole % 60);
  return fmt::format("{} h {:02} min", whole / 3600, whole % 3600 / 60);
}

std::string format_summary(const Summary& summary, const TerminalTraits& t) {
  const auto paint = [&t](Summary::Mood mood, const std::string& text) {
    if (!t.colour) return text;
    const char* colour = mood == Summary::Mood::good    ? "32"
                         : mood == Summary::Mood::check ? "33"
                                                        : "31";
    return fmt::format("\x1b[1;{}m{}\x1b[0m", colour, text);
  };
  const int columns = std::max(24, (t.terminal ? t.columns : 80) - 1);
  std::string text;
  for (const std::string& line : wrap(printable(summary.sentence, t.unicode), columns)) {
    text += paint(summary.mood, line) + "\n";
  }
  const std::size_t shown = std::min(summary.items.size(), summary.items_shown);
  for (std::size_t i = 0; i < shown; ++i) {
    const Summary::Item& item = summary.items[i];
    const std::string mark = item.mood == Summary::Mood::bad ? "!" : "?";
    const std::string body = printable(
        (item.where.empty() ? "" : item.where + ": ") + item.what + " " + item.remedy, t.unicode);
    std::string lead = "  " + paint(item.mood, mark) + " ";
    for (const std::string& line : wrap(body, columns - 4)) {
      text += lead + line + "\n";
      lead = "    ";
    }
  }
  if (summary.items.size() > shown) {
    text += fmt::format("    and {} more in the report\n", summary.items.size() - shown);
  }
  int label_columns = 0;
  for (const auto& output : summary.outputs) {
    label_columns = std::max(label_columns, columns_of(output.first));
  }
  for (const auto& [label, path] : summary.outputs) {
    // Paths are never broken: they are there to be copied.
    text +=
        fmt::format("  {}{}  {}\n", label,
                    std::string(static_cast<std::size_t>(label_columns - columns_of(label)), ' '),
                    printable(path, t.unicode));
  }
  return text;
}

}  // namespace trunnion
