#include "daemon/ledger/schema.hpp"

#include <chrono>
#include <utility>

namespace slowfilm::ledger {
namespace {

// Pages of log after which it is copied into the file, and what the log's file may keep after a reader held it back.
constexpr int autocheckpoint_pages = 1'000;
constexpr int journal_size_limit = 64 << 20;
// How long a program that holds the write lock may hold up opening.
constexpr int patience_ms = 5'000;

Error opening_error(const Connection& connection, Error error) {
    const int code = primary(sqlite3_errcode(connection.handle()));
    if (code == SQLITE_BUSY || code == SQLITE_LOCKED)
        error.failure = Failure::try_again;
    if (code == SQLITE_READONLY || code == SQLITE_PERM)
        error.failure = Failure::not_allowed;
    if (code == SQLITE_CORRUPT || code == SQLITE_NOTADB)
        error.failure = Failure::bad_data;
    return error;
}

// Sets a pragma and reads it back: one that did not take would be noticed only after a power cut.
Result<void> set_and_check(Connection& connection, const std::string& name, const std::string& value,
                           const std::string& expected) {
    if (const auto set = connection.text("PRAGMA " + name + " = " + value); !set) {
        // Some pragmas give no row when they are set; reading back below is what counts.
        const int code = primary(sqlite3_errcode(connection.handle()));
        if (code != SQLITE_DONE && code != SQLITE_OK)
            return tl::unexpected(opening_error(connection, set.error()));
    }
    const auto got = connection.text("PRAGMA " + name);
    if (!got)
        return tl::unexpected(opening_error(connection, got.error()));
    if (*got == expected)
        return {};
    return fail(Failure::cannot_write, "the ledger " + connection.path() + " has " + name + " " + *got +
                                           " where it must have " + expected +
                                           ": what is committed would not be sure to be on disk");
}

Result<void> configure(Connection& connection, std::int64_t pages_max) {
    const std::pair<std::string, std::pair<std::string, std::string>> settings[] = {
        {"journal_mode", {"WAL", "wal"}},
        {"synchronous", {"FULL", "2"}},
        {"foreign_keys", {"ON", "1"}},
        {"wal_autocheckpoint", {std::to_string(autocheckpoint_pages), std::to_string(autocheckpoint_pages)}},
        {"journal_size_limit", {std::to_string(journal_size_limit), std::to_string(journal_size_limit)}},
    };
    for (const auto& [name, value] : settings) {
        if (auto done = set_and_check(connection, name, value.first, value.second); !done)
            return done;
    }
    if (pages_max > 0) {
        const auto set = connection.integer("PRAGMA max_page_count = " + std::to_string(pages_max));
        if (!set)
            return tl::unexpected(set.error());
    }
    return {};
}

// The mark of a writer goes into the file itself, not only into its log: a copy without the log can then be told.
Result<void> mark_writing(Connection& connection) {
    const auto now =
        std::chrono::duration_cast<std::chrono::microseconds>(std::chrono::system_clock::now().time_since_epoch());
    const std::string sql = "UPDATE ledger SET writing = 1, opened_utc_us = " + std::to_string(now.count());
    if (const auto done = connection.run(sql); !done)
        return tl::unexpected(opening_error(connection, done.error()));
    const auto copied = connection.integer("PRAGMA wal_checkpoint(PASSIVE)");
    if (!copied)
        return tl::unexpected(opening_error(connection, copied.error()));
    return {};
}

}  // namespace

Result<Connection> open_for_writing(const std::string& path, std::int64_t pages_max) {
    auto connection = Connection::open(path, Connection::Mode::write);
    if (!connection)
        return connection;
    connection->keep_log(true);
    sqlite3_busy_timeout(connection->handle(), patience_ms);
    if (auto done = configure(*connection, pages_max); !done)
        return tl::unexpected(std::move(done.error()));
    if (auto done = mark_writing(*connection); !done)
        return tl::unexpected(std::move(done.error()));
    // From here on the writer waits for a busy file in its own way, without an end.
    sqlite3_busy_timeout(connection->handle(), 0);
    return connection;
}

}  // namespace slowfilm::ledger
