// SQLite's C interface behind three small types, so that handles are never leaked and no return code is overlooked.
#pragma once

#include "daemon/core/result.hpp"

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include <sqlite3.h>

namespace slowfilm::ledger {

// Code without its extension: SQLITE_IOERR of SQLITE_IOERR_FSYNC.
[[nodiscard]] constexpr int primary(int code) {
    return code & 0xFF;
}

class Connection {
  public:
    enum class Mode : std::uint8_t {
        create,     // read and write, made when missing
        write,      // read and write, must exist
        read,       // never writes to the database; sees a live writer's log
        immutable,  // the file as it lies there: no locks, no log
    };
    // The path must be absolute.
    [[nodiscard]] static Result<Connection> open(const std::string& path, Mode mode);
    [[nodiscard]] sqlite3* handle() const { return handle_.get(); }
    [[nodiscard]] const std::string& path() const { return path_; }

    // Runs statements that give no rows.
    [[nodiscard]] Result<void> run(const std::string& sql);
    // The first column of the first row.
    [[nodiscard]] Result<std::int64_t> integer(const std::string& sql);
    [[nodiscard]] Result<std::string> text(const std::string& sql);
    // Whether closing leaves the log as it is, or copies it into the file and removes it. It is left after a failure:
    // once a sync has failed nothing more is written, and the log still tells the tale.
    void keep_log(bool keep) {
        sqlite3_db_config(handle_.get(), SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, keep ? 1 : 0, nullptr);
    }
    // What the last failed call was about: "cannot <doing> the ledger <path>: <why>".
    [[nodiscard]] Error error(Failure failure, std::string_view doing, int code) const;

  private:
    struct Close {
        void operator()(sqlite3* handle) const { sqlite3_close(handle); }
    };
    std::unique_ptr<sqlite3, Close> handle_;
    std::string path_;
};

// A prepared statement. Parameters are bound, and columns read, from left to right.
class Statement {
  public:
    [[nodiscard]] static Result<Statement> prepare(const Connection& connection, std::string_view sql);

    // Text and blobs must live until the statement has run.
    void bind(std::int64_t value);
    void bind(double value);  // not finite: NULL, since a NaN bound is one and an infinity is no measurement
    void bind(std::string_view text);
    void bind(std::optional<double> value);
    void bind(std::optional<std::int64_t> value);
    void bind_blob(std::string_view bytes);
    void bind_null();

    // SQLITE_ROW, SQLITE_DONE or what went wrong; the columns are then read from the first.
    [[nodiscard]] int step();
    // Steps once and rewinds: SQLITE_DONE, SQLITE_ROW or what went wrong.
    [[nodiscard]] int run();
    void rewind();

    [[nodiscard]] std::int64_t integer();
    [[nodiscard]] double real();  // NULL: a quiet NaN
    [[nodiscard]] std::string text();
    [[nodiscard]] std::string_view blob();  // valid until the next step
    [[nodiscard]] std::optional<double> real_or_null();
    [[nodiscard]] std::optional<std::int64_t> integer_or_null();

  private:
    struct Finalise {
        void operator()(sqlite3_stmt* statement) const { sqlite3_finalize(statement); }
    };
    void note(int code) {
        if (bind_code_ == SQLITE_OK)
            bind_code_ = code;
    }
    std::unique_ptr<sqlite3_stmt, Finalise> statement_;
    int bound_{0};
    int column_{0};
    int bind_code_{SQLITE_OK};
};

}  // namespace slowfilm::ledger
