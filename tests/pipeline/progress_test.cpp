#include "pipeline/progress.h"

#include <gmock/gmock.h>

#include <cstdlib>
#include <thread>

#include "pipeline/text.h"

namespace trunnion {
namespace progress_test {

using testing::HasSubstr;
using testing::Not;

// A stream in memory and a clock that only moves when set.
class Stage {
 public:
  explicit Stage(TerminalTraits traits)
      : traits_(traits), stream_(::open_memstream(&text_, &size_)) {}
  ~Stage() {
    std::fclose(stream_);
    std::free(text_);
  }
  Stage(const Stage&) = delete;
  Stage& operator=(const Stage&) = delete;
  Progress::Options options() {
    return {.quiet = false, .stream = stream_, .traits = traits_, .clock = [this] { return now_; }};
  }
  void pass(double seconds) {
    now_ += std::chrono::duration_cast<std::chrono::steady_clock::duration>(
        std::chrono::duration<double>(seconds));
  }
  std::string text() {
    std::fflush(stream_);
    return {text_, size_};
  }
  // What a terminal shows after these bytes: the few codes that Progress sends.
  std::vector<std::string> screen() {
    std::vector<std::string> rows(1);
    std::size_t row = 0;
    std::size_t column = 0;
    const std::string bytes = text();
    for (std::size_t i = 0; i < bytes.size(); ++i) {
      if (bytes[i] == '\x1b') {
        const std::size_t end = bytes.find_first_of("AmKJ", i);
        const std::string count = bytes.substr(i + 2, end - i - 2);
        if (bytes[end] == 'A') row -= std::min<std::size_t>(row, std::stoul(count));
        if (bytes[end] == 'K') rows[row].resize(std::min(rows[row].size(), column));
        if (bytes[end] == 'J') {
          rows[row].resize(std::min(rows[row].size(), column));
          rows.resize(row + 1);
        }
        i = end;
      } else if (bytes[i] == '\r') {
        column = 0;
      } else if (bytes[i] == '\n') {
        column = 0;
        if (++row == rows.size()) rows.emplace_back();
      } else {
        if (rows[row].size() <= column) rows[row].resize(column + 1, ' ');
        rows[row][column++] = bytes[i];
      }
    }
    while (!rows.empty() && rows.back().empty()) rows.pop_back();
    return rows;
  }

 private:
  TerminalTraits traits_;
  char* text_ = nullptr;
  std::size_t size_ = 0;
  std::FILE* stream_;
  std::chrono::steady_clock::time_point now_;
};

TEST(Progress, ShowsCountRateAndTimeLeft) {
  Stage stage({.terminal = true, .colour = false, .unicode = false, .columns = 80});
  Progress progress({"ingest", "repair"}, stage.options());
  progress.start("ingest");
  progress.finish("48 images");
  progress.start("repair", 40);
  stage.pass(20);
  progress.step(10);
  const auto rows = stage.screen();
  ASSERT_EQ(rows.size(), 2U);
  EXPECT_THAT(rows[0], HasSubstr("* ingest"));
  EXPECT_THAT(rows[0], HasSubstr("48 images"));
  EXPECT_THAT(rows[1], HasSubstr("> repair"));
  // 10 in 20 s: 2 s each; 30 to go: 60 s.
  EXPECT_THAT(rows[1], HasSubstr("10/40"));
  EXPECT_THAT(rows[1], HasSubstr("2.0 s each"));
  EXPECT_THAT(rows[1], HasSubstr("1 min 00 s left"));
}

TEST(Progress, NeverWiderThanTheTerminal) {
  for (const int columns : {20, 34, 50, 63, 64, 80, 200}) {
    Stage stage({.terminal = true, .colour = false, .unicode = false, .columns = columns});
    Progress progress({"a stage with a name that is longer than most", "b"}, stage.options());
    progress.start("a stage with a name that is longer than most", 1000);
    stage.pass(4000);
    progress.step(123);
    for (const std::string& row : stage.screen()) {
      EXPECT_LT(columns_of(row), columns) << row;
    }
  }
}

TEST(Progress, ALongNoteNeverCoversTheName) {
  for (const int columns : {64, 80, 120}) {
    Stage stage({.terminal = true, .colour = false, .unicode = false, .columns = columns});
    Progress progress({"repair, mask, undistort", "refine"}, stage.options());
    progress.start("repair, mask, undistort", 144);
    stage.pass(2000);
    progress.step(72);
    EXPECT_THAT(stage.screen()[0], HasSubstr("repair, mask, undistort  "));
    EXPECT_THAT(stage.screen()[0], HasSubstr("72/144"));
    progress.start("refine");
    progress.finish(
        "This set is unlikely to orient from its texture alone: 36 of 36 stations have too few or "
        "contradicting tie points.");
    const auto rows = stage.screen();
    EXPECT_THAT(rows[0], HasSubstr("repair, mask, undistort  72/144  33 min 20 s"));
    EXPECT_THAT(rows[1], HasSubstr("* refine                   0.0 s  This set"));
    EXPECT_LT(columns_of(rows[1]), columns);
  }
}

TEST(Progress, RedrawsAtMostTenTimesASecond) {
  Stage stage({.terminal = true, .colour = false, .unicode = false, .columns = 80});
  Progress progress({"many"}, stage.options());
  progress.start("many", 100000);
  const std::size_t before = stage.text().size();
  for (int i = 0; i < 1000; ++i) progress.step();  // the clock stands still
  EXPECT_EQ(stage.text().size(), before);
  stage.pass(0.11);
  progress.step();
  EXPECT_GT(stage.text().size(), before);
}

TEST(Progress, PlainLinesWithoutATerminal) {
  Stage stage({.terminal = false, .colour = false, .unicode = true, .columns = 80});
  {
    Progress progress({"ingest", "repair", "export"}, stage.options());
    progress.start("ingest");
    stage.pass(1);
    progress.finish();
    progress.start("repair", 100);
    for (int i = 0; i < 100; ++i) {
      stage.pass(1.5);
      progress.step();
    }
    progress.finish("7 spots");
    progress.say("low_007.tif: \x1b[31mred");
  }
  EXPECT_EQ(stage.text(),
            "ingest, done in 1.0 s\n"
            "repair: 40 of 100, 1.5 s each\n"
            "repair: 80 of 100, 1.5 s each\n"
            "repair: 100 of 100, done in 2 min 30 s, 7 spots\n"
            "low_007.tif: \\x1b[31mred\n");
}

TEST(Progress, SaysWhichStageWasStopped) {
  Stage stage({.terminal = false, .colour = false, .unicode = false, .columns = 80});
  {
    Progress progress({"repair", "export"}, stage.options());
    progress.start("repair", 4);
    stage.pass(3);
    progress.step();
  }
  EXPECT_EQ(stage.text(), "repair: 1 of 4, stopped after 3.0 s\n");
}

TEST(Progress, QuietIsSilent) {
  Stage stage({.terminal = true, .colour = true, .unicode = true, .columns = 80});
  Progress::Options options = stage.options();
  options.quiet = true;
  {
    Progress progress({"repair"}, options);
    progress.start("repair", 3);
    progress.step();
    progress.say("something");
  }
  EXPECT_EQ(stage.text(), "");
}

TEST(Progress, CountsEveryStepOfManyThreads) {
  Stage stage({.terminal = false, .colour = false, .unicode = false, .columns = 80});
  {
    Progress progress({"repair"}, stage.options());
    progress.start("repair", 4000);
    std::vector<std::thread> threads;
    for (int t = 0; t < 4; ++t) {
      threads.emplace_back([&progress] {
        for (int i = 0; i < 1000; ++i) progress.step();
      });
    }
    for (std::thread& thread : threads) thread.join();
    progress.finish();
  }
  EXPECT_THAT(stage.text(), HasSubstr("4000 of 4000"));
}

TEST(TerminalTraits, NoColourOnAPipe) {
  std::FILE* file = std::tmpfile();
  const TerminalTraits traits = terminal_traits(file);
  EXPECT_FALSE(traits.terminal);
  EXPECT_FALSE(traits.colour);
  std::fclose(file);
}

TEST(Summary, WrapsAndNamesEveryItem) {
  Summary summary;
  summary.mood = Summary::Mood::bad;
  summary.sentence = "Not complete: low 7 is missing; high 20 cannot be used as it is.";
  summary.items = {{Summary::Mood::bad, "low 7", "This station has no image.", "Shoot it."},
                   {Summary::Mood::check, "high 4", "The angle slipped.", "Look."}};
  summary.outputs = {{"report", "/a/very/long/path/that/must/not/be/broken/report/index.html"}};
  for (const int columns : {50, 80}) {
    const TerminalTraits traits{
        .terminal = true, .colour = false, .unicode = true, .columns = columns};
    const std::string text = format_summary(summary, traits);
    EXPECT_THAT(text, HasSubstr("! low 7: This station has no image."));
    EXPECT_THAT(text, HasSubstr("? high 4: The angle slipped."));
    EXPECT_THAT(text, HasSubstr(summary.outputs[0].second));
    EXPECT_THAT(text, Not(HasSubstr("\x1b")));
    for (std::size_t at = 0; at < text.size();) {
      const std::size_t end = text.find('\n', at);
      const std::string line = text.substr(at, end - at);
      if (line.find("report") == std::string::npos) {
        EXPECT_LT(columns_of(line), columns) << line;
      }
      at = end + 1;
    }
  }
  EXPECT_THAT(
      format_summary(summary, {.terminal = true, .colour = true, .unicode = true, .columns = 80}),
      HasSubstr("\x1b[1;31m"));
}

// RFC 3629: overlong forms, surrogates and values above U+10FFFF are not UTF-8.
TEST(Text, ShowsWhatIsNotPrintable) {
  EXPECT_EQ(printable("K\xc3\xa4"
                      "fer",
                      true),
            "K\xc3\xa4"
            "fer");
  EXPECT_EQ(printable("K\xc3\xa4"
                      "fer",
                      false),
            "K?fer");
  EXPECT_EQ(printable("a\x1b[2J", true), "a\\x1b[2J");
  EXPECT_EQ(printable("a\nb\x7f", true), "a\\x0ab\\x7f");
  EXPECT_EQ(printable("\xc0\xaf", true), "\\xc0\\xaf");           // overlong "/"
  EXPECT_EQ(printable("\xed\xa0\x80", true), "\\xed\\xa0\\x80");  // surrogate
  EXPECT_EQ(printable("\xf4\x90\x80\x80", true), "\\xf4\\x90\\x80\\x80");
  EXPECT_EQ(printable("\xe2\x80\xae"
                      "fit.exe",
                      true),
            "\\xe2\\x80\\xae"
            "fit.exe");  // right-to-left override
  EXPECT_EQ(printable("\xff", true), "\\xff");
}

TEST(Text, Durations) {
  EXPECT_EQ(duration_text(0.04), "0.0 s");
  EXPECT_EQ(duration_text(9.94), "9.9 s");
  EXPECT_EQ(duration_text(9.96), "10 s");
  EXPECT_EQ(duration_text(59.6), "1 min 00 s");
  EXPECT_EQ(duration_text(3725), "1 h 02 min");
}

}  // namespace progress_test
}  // namespace trunnion
