#include "pipeline/journal.h"

#include <fmt/format.h>
#include <sqlite3.h>
#include <sys/stat.h>

#include <mutex>

#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"
#include "core/write_fence.h"
#include "pipeline/guard_inputs.h"
#include "pipeline/network_folder.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;
constexpr int kVersion = 3;  // of what the steps store; an older journal is replaced

constexpr const char* kSchema = R"(
CREATE TABLE IF NOT EXISTS step(
  key TEXT, stage TEXT, fingerprint TEXT NOT NULL, payload BLOB NOT NULL, sum TEXT,
  PRIMARY KEY(key, stage)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS output(
  path TEXT PRIMARY KEY, bytes INTEGER, modified INTEGER, hash TEXT, fingerprint TEXT, sum TEXT)
  WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS input(
  path TEXT PRIMARY KEY, bytes INTEGER, modified INTEGER, hash TEXT, sum TEXT) WITHOUT ROWID;
)";

fs::path file_of(sqlite3* database) {
  return sqlite3_db_filename(database, "main");
}

// Damage shows in the code; an incomplete schema is a plain SQL error.
bool means_damage(int code) {
  const int primary = code & 0xFF;
  return primary == SQLITE_CORRUPT || primary == SQLITE_NOTADB || primary == SQLITE_ERROR ||
         primary == SQLITE_MISMATCH;
}

[[noreturn]] void fail(const fs::path& file, int code, const std::string& reason) {
  if (means_damage(code)) throw JournalDamaged(file);
  throw output_error(fmt::format(
      "{}: the journal cannot be used ({}); check space and permissions, then run again.",
      file.string(), reason));
}

class Statement {
 public:
  Statement(sqlite3* database, const char* sql) : database_(database) {
    check(sqlite3_prepare_v2(database, sql, -1, &statement_, nullptr), SQLITE_OK);
  }
  Statement(const Statement&) = delete;
  Statement& operator=(const Statement&) = delete;
  ~Statement() { sqlite3_finalize(statement_); }

  Statement& text(int place, std::string_view value) {
    sqlite3_bind_text(statement_, place, value.data(), static_cast<int>(value.size()),
                      SQLITE_TRANSIENT);
    return *this;
  }
  Statement& blob(int place, std::string_view value) {
    sqlite3_bind_blob64(statement_, place, value.data(), value.size(), SQLITE_TRANSIENT);
    return *this;
  }
  Statement& integer(int place, std::int64_t value) {
    sqlite3_bind_int64(statement_, place, value);
    return *this;
  }
  bool row() {
    const int code = sqlite3_step(statement_);
    if (code != SQLITE_ROW) check(code, SQLITE_DONE);
    return code == SQLITE_ROW;
  }
  [[nodiscard]] std::string column_text(int place) const {
    const auto* bytes = static_cast<const char*>(sqlite3_column_blob(statement_, place));
    const int size = sqlite3_column_bytes(statement_, place);
    return bytes == nullptr ? std::string() : std::string(bytes, static_cast<std::size_t>(size));
  }
  [[nodiscard]] std::int64_t column_integer(int place) const {
    return sqlite3_column_int64(statement_, place);
  }
  // The row's checksum stands at `place`.
  void check_sum(int place, const std::string& sum) const {
    if (column_text(place) != sum) throw JournalDamaged(file_of(database_));
  }

 private:
  void check(int code, int expected) const {
    if (code != expected) fail(file_of(database_), code, sqlite3_errmsg(database_));
  }
  sqlite3* database_;
  sqlite3_stmt* statement_ = nullptr;
};

std::string sum_of_step(const std::string& key, const std::string& stage,
                        const std::string& fingerprint, std::string_view payload) {
  return hash_bytes(fmt::format("{}\n{}\n{}\n{}", key, stage, fingerprint, hash_bytes(payload)));
}

std::string sum_of_input(const std::string& path, const FileStamp& stamp, const std::string& hash) {
  return hash_bytes(fmt::format("{}\n{}\n{}\n{}", path, stamp.bytes, stamp.modified_ns, hash));
}

std::string sum_of_output(const RecordedOutput& o) {
  return hash_bytes(
      fmt::format("{}\n{}\n{}\n{}\n{}", o.path, o.bytes, o.modified_ns, o.hash, o.fingerprint));
}

// From path, bytes, modified, hash, fingerprint, sum.
RecordedOutput output_in(const Statement& row) {
  RecordedOutput output{row.column_text(0), static_cast<std::uintmax_t>(row.column_integer(1)),
                        row.column_integer(2), row.column_text(3), row.column_text(4)};
  row.check_sum(5, sum_of_output(output));
  return output;
}

using Handle = std::unique_ptr<sqlite3, int (*)(sqlite3*)>;

// Throws JournalDamaged also for another version.
Handle open_database(const fs::path& file) {
  for (const char* suffix : {"", "-wal", "-shm"}) {
    if (is_shared(file.string() + suffix)) throw JournalDamaged(file);  // written in place
  }
  sqlite3* opened = nullptr;
  const int code =
      sqlite3_open_v2(file.c_str(), &opened,
                      SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_FULLMUTEX, nullptr);
  Handle handle(opened, &sqlite3_close);
  const auto run = [&](const char* sql) {
    const int done = sqlite3_exec(opened, sql, nullptr, nullptr, nullptr);
    if (done != SQLITE_OK) fail(file, done, sqlite3_errmsg(opened));
  };
  if (code != SQLITE_OK) fail(file, code, sqlite3_errstr(code));
  // WAL needs memory that all readers share, which machines do not (sqlite.org/wal.html).
  if (on_network(file.parent_path())) {
    run("PRAGMA journal_mode=TRUNCATE");
    run("PRAGMA synchronous=FULL");
  } else {
    run("PRAGMA journal_mode=WAL");
    run("PRAGMA synchronous=NORMAL");
  }
  {
    // Damage is reported in rows, not in the code.
    Statement checked(opened, "PRAGMA quick_check(1)");
    if (!checked.row() || checked.column_text(0) != "ok") throw JournalDamaged(file);
  }
  {
    Statement read(opened, "PRAGMA user_version");
    const std::int64_t version = read.row() ? read.column_integer(0) : -1;
    if (version != kVersion && version != 0) throw JournalDamaged(file);
  }
  run(kSchema);
  run(fmt::format("PRAGMA user_version={}", kVersion).c_str());
  return handle;
}

}  // namespace

JournalDamaged::JournalDamaged(const fs::path& file)
    : Error(Kind::output,
            fmt::format("{}: the journal is damaged or of another version; run trunnion prepare, "
                        "which starts it again.",
                        file.string())) {}

void remove_journal(const fs::path& file) {
  check_fence(file);
  std::error_code code;
  for (const char* suffix : {"", "-wal", "-shm"}) {
    const fs::path part = file.string() + suffix;
    fs::remove(part, code);
    if (code) throw output_error(fmt::format("{}: {}.", part.string(), code.message()));
  }
}

// A copy that the other one wrote into meanwhile shows as damage, and the journal is started again.
void renew_journal(const fs::path& file) {
  std::error_code code;
  if (!fs::exists(file, code)) return;
  const std::string copy = file.string() + ".copy";
  for (const char* suffix : {"", "-wal"}) {
    fs::remove(copy + suffix, code);
    if (fs::exists(file.string() + suffix, code)) {
      fs::copy_file(file.string() + suffix, copy + suffix, code);
    }
  }
  remove_journal(file);
  for (const char* suffix : {"", "-wal"}) {
    if (!fs::exists(copy + suffix, code)) continue;
    fs::rename(copy + suffix, file.string() + suffix, code);
    if (code) throw output_error(fmt::format("{}: {}.", file.string(), code.message()));
  }
}

struct Journal::Database {
  explicit Database(Handle opened) : handle(std::move(opened)) {}
  Handle handle;
  std::mutex mutex;
};

Journal::Journal(const fs::path& file, IfDamaged if_damaged) {
  check_fence(file);
  std::error_code code;
  fs::create_directories(file.parent_path(), code);
  if (code) throw output_error(fmt::format("{}: {}.", file.parent_path().string(), code.message()));
  const auto open = [&] { return std::make_unique<Database>(open_database(file)); };
  database_ = if_damaged == IfDamaged::refuse ? open() : with_sound_journal(file, open);
}
Journal::~Journal() = default;

std::optional<std::string> Journal::find(const std::string& key, const std::string& stage,
                                         const std::string& fingerprint) {
  const std::scoped_lock lock(database_->mutex);
  Statement query(database_->handle.get(),
                  "SELECT payload, sum FROM step WHERE key=? AND stage=? AND fingerprint=?");
  query.text(1, key).text(2, stage).text(3, fingerprint);
  if (!query.row()) return std::nullopt;
  std::string payload = query.column_text(0);
  query.check_sum(1, sum_of_step(key, stage, fingerprint, payload));
  return payload;
}

bool Journal::holds(const std::string& key, const std::string& stage,
                    const std::string& fingerprint) {
  const std::scoped_lock lock(database_->mutex);
  Statement query(database_->handle.get(),
                  "SELECT 1 FROM step WHERE key=? AND stage=? AND fingerprint=?");
  query.text(1, key).text(2, stage).text(3, fingerprint);
  return query.row();
}

void Journal::record(const std::string& key, const std::string& stage,
                     const std::string& fingerprint, std::string_view payload) {
  const std::scoped_lock lock(database_->mutex);
  Statement insert(database_->handle.get(), "INSERT OR REPLACE INTO step VALUES(?,?,?,?,?)");
  insert.text(1, key).text(2, stage).text(3, fingerprint).blob(4, payload);
  insert.text(5, sum_of_step(key, stage, fingerprint, payload)).row();
}

std::string Journal::input_hash(const fs::path& file) {
  const FileStamp stamp = stamp_of(file);
  const std::string path = file.lexically_normal().string();
  {
    const std::scoped_lock lock(database_->mutex);
    Statement query(database_->handle.get(),
                    "SELECT hash, sum FROM input WHERE path=? AND bytes=? AND modified=?");
    query.text(1, path).integer(2, static_cast<std::int64_t>(stamp.bytes));
    query.integer(3, stamp.modified_ns);
    if (query.row()) {
      std::string known = query.column_text(0);
      query.check_sum(1, sum_of_input(path, stamp, known));
      return known;
    }
  }
  const std::string hash = hash_file(file);
  const std::scoped_lock lock(database_->mutex);
  Statement insert(database_->handle.get(), "INSERT OR REPLACE INTO input VALUES(?,?,?,?,?)");
  insert.text(1, path).integer(2, static_cast<std::int64_t>(stamp.bytes));
  insert.integer(3, stamp.modified_ns).text(4, hash).text(5, sum_of_input(path, stamp, hash)).row();
  return hash;
}

std::optional<RecordedOutput> Journal::output(const std::string& path) {
  const std::scoped_lock lock(database_->mutex);
  Statement query(database_->handle.get(),
                  "SELECT path, bytes, modified, hash, fingerprint, sum FROM output WHERE path=?");
  query.text(1, path);
  if (!query.row()) return std::nullopt;
  return output_in(query);
}

std::vector<RecordedOutput> Journal::outputs() {
  const std::scoped_lock lock(database_->mutex);
  Statement query(database_->handle.get(),
                  "SELECT path, bytes, modified, hash, fingerprint, sum FROM output ORDER BY path");
  std::vector<RecordedOutput> all;
  while (query.row()) all.push_back(output_in(query));
  return all;
}

void Journal::record_output(const RecordedOutput& output) {
  const std::scoped_lock lock(database_->mutex);
  Statement insert(database_->handle.get(), "INSERT OR REPLACE INTO output VALUES(?,?,?,?,?,?)");
  insert.text(1, output.path).integer(2, static_cast<std::int64_t>(output.bytes));
  insert.integer(3, output.modified_ns).text(4, output.hash).text(5, output.fingerprint);
  insert.text(6, sum_of_output(output)).row();
}

void Journal::forget_output(const std::string& path) {
  const std::scoped_lock lock(database_->mutex);
  Statement remove(database_->handle.get(), "DELETE FROM output WHERE path=?");
  remove.text(1, path).row();
}

FileStamp stamp_of(const fs::path& file) {
  struct stat status {};
  if (::stat(file.c_str(), &status) != 0) return {};
  return {
      static_cast<std::uintmax_t>(status.st_size),
      static_cast<std::int64_t>(status.st_mtim.tv_sec) * 1'000'000'000 + status.st_mtim.tv_nsec};
}

}  // namespace trunnion
