#include "pipeline/journal.h"

#include <fmt/format.h>
#include <sqlite3.h>
#include <sys/stat.h>

#include <mutex>

#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;
constexpr int kVersion = 2;  // of what the steps store; an older journal is replaced

constexpr const char* kSchema = R"(
CREATE TABLE IF NOT EXISTS step(
  key TEXT, stage TEXT, fingerprint TEXT NOT NULL, payload BLOB NOT NULL,
  PRIMARY KEY(key, stage)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS output(
  path TEXT PRIMARY KEY, bytes INTEGER, modified INTEGER, hash TEXT, fingerprint TEXT)
  WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS input(
  path TEXT PRIMARY KEY, bytes INTEGER, modified INTEGER, hash TEXT) WITHOUT ROWID;
)";

class Statement {
 public:
  Statement(sqlite3* database, const char* sql) : database_(database) {
    if (sqlite3_prepare_v2(database, sql, -1, &statement_, nullptr) != SQLITE_OK) fail();
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
    if (code != SQLITE_ROW && code != SQLITE_DONE) fail();
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

 private:
  [[noreturn]] void fail() {
    throw data_error(
        fmt::format("{}: the journal cannot be used ({}); check the space on the disk "
                    "or delete the folder .trunnion and run again.",
                    sqlite3_db_filename(database_, "main"), sqlite3_errmsg(database_)));
  }
  sqlite3* database_;
  sqlite3_stmt* statement_ = nullptr;
};

sqlite3* open_database(const fs::path& file) {
  sqlite3* handle = nullptr;
  const int code =
      sqlite3_open_v2(file.c_str(), &handle,
                      SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_FULLMUTEX, nullptr);
  const auto run = [&](const char* sql) {
    return sqlite3_exec(handle, sql, nullptr, nullptr, nullptr) == SQLITE_OK;
  };
  bool good = code == SQLITE_OK && run("PRAGMA journal_mode=WAL") &&
              run("PRAGMA synchronous=NORMAL") && run("PRAGMA quick_check");
  if (good) {
    Statement version(handle, "PRAGMA user_version");
    good =
        version.row() && (version.column_integer(0) == kVersion || version.column_integer(0) == 0);
  }
  good = good && run(kSchema) && run(fmt::format("PRAGMA user_version={}", kVersion).c_str());
  if (good) return handle;
  sqlite3_close(handle);
  return nullptr;
}

}  // namespace

struct Journal::Database {
  explicit Database(const fs::path& file) : handle(open_database(file)) {
    if (handle != nullptr) return;
    std::error_code ignored;
    for (const char* suffix : {"", "-wal", "-shm"}) fs::remove(file.string() + suffix, ignored);
    handle = open_database(file);
    if (handle == nullptr) {
      throw data_error(
          fmt::format("{}: the journal cannot be created; check space and permissions "
                      "of the workspace.",
                      file.string()));
    }
  }
  ~Database() { sqlite3_close(handle); }
  Database(const Database&) = delete;
  Database& operator=(const Database&) = delete;

  sqlite3* handle;
  std::mutex mutex;
};

Journal::Journal(const fs::path& file) {
  fs::create_directories(file.parent_path());
  database_ = std::make_unique<Database>(file);
}
Journal::~Journal() = default;

std::optional<std::string> Journal::find(const std::string& key, const std::string& stage,
                                         const std::string& fingerprint) {
  const std::scoped_lock lock(database_->mutex);
  Statement query(database_->handle,
                  "SELECT payload FROM step WHERE key=? AND stage=? AND fingerprint=?");
  query.text(1, key).text(2, stage).text(3, fingerprint);
  if (!query.row()) return std::nullopt;
  return query.column_text(0);
}

void Journal::record(const std::string& key, const std::string& stage,
                     const std::string& fingerprint, std::string_view payload) {
  const std::scoped_lock lock(database_->mutex);
  Statement insert(database_->handle, "INSERT OR REPLACE INTO step VALUES(?,?,?,?)");
  insert.text(1, key).text(2, stage).text(3, fingerprint).blob(4, payload).row();
}

std::string Journal::input_hash(const fs::path& file) {
  const FileStamp stamp = stamp_of(file);
  const std::string path = file.lexically_normal().string();
  {
    const std::scoped_lock lock(database_->mutex);
    Statement query(database_->handle,
                    "SELECT hash FROM input WHERE path=? AND bytes=? AND modified=?");
    query.text(1, path).integer(2, static_cast<std::int64_t>(stamp.bytes));
    query.integer(3, stamp.modified_ns);
    if (query.row()) return query.column_text(0);
  }
  const std::string hash = hash_file(file);
  const std::scoped_lock lock(database_->mutex);
  Statement insert(database_->handle, "INSERT OR REPLACE INTO input VALUES(?,?,?,?)");
  insert.text(1, path).integer(2, static_cast<std::int64_t>(stamp.bytes));
  insert.integer(3, stamp.modified_ns).text(4, hash).row();
  return hash;
}

std::optional<RecordedOutput> Journal::output(const std::string& path) {
  const std::scoped_lock lock(database_->mutex);
  Statement query(database_->handle,
                  "SELECT bytes, modified, hash, fingerprint FROM output WHERE path=?");
  query.text(1, path);
  if (!query.row()) return std::nullopt;
  return RecordedOutput{path, static_cast<std::uintmax_t>(query.column_integer(0)),
                        query.column_integer(1), query.column_text(2), query.column_text(3)};
}

std::vector<RecordedOutput> Journal::outputs() {
  const std::scoped_lock lock(database_->mutex);
  Statement query(database_->handle,
                  "SELECT path, bytes, modified, hash, fingerprint FROM output ORDER BY path");
  std::vector<RecordedOutput> all;
  while (query.row()) {
    all.push_back({query.column_text(0), static_cast<std::uintmax_t>(query.column_integer(1)),
                   query.column_integer(2), query.column_text(3), query.column_text(4)});
  }
  return all;
}

void Journal::record_output(const RecordedOutput& output) {
  const std::scoped_lock lock(database_->mutex);
  Statement insert(database_->handle, "INSERT OR REPLACE INTO output VALUES(?,?,?,?,?)");
  insert.text(1, output.path).integer(2, static_cast<std::int64_t>(output.bytes));
  insert.integer(3, output.modified_ns).text(4, output.hash).text(5, output.fingerprint).row();
}

void Journal::forget_output(const std::string& path) {
  const std::scoped_lock lock(database_->mutex);
  Statement remove(database_->handle, "DELETE FROM output WHERE path=?");
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
