#include "daemon/ledger/schema.hpp"

#include <cerrno>
#include <chrono>
#include <cstdio>
#include <filesystem>
#include <system_error>
#include <utility>

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

namespace slowfilm::ledger {
namespace {

// SCHEMA.md says what each column means; a test compares the two.
constexpr const char* tables = R"sql(
CREATE TABLE ledger(
    one            INTEGER PRIMARY KEY CHECK (one = 1),
    created_utc_us INTEGER NOT NULL,
    opened_utc_us  INTEGER NOT NULL,
    writing        INTEGER NOT NULL CHECK (writing IN (0, 1))
) STRICT;

CREATE TABLE run(
    number          INTEGER PRIMARY KEY,
    cell            TEXT NOT NULL,
    channel         TEXT NOT NULL,
    tray            INTEGER NOT NULL,
    tray_name       TEXT NOT NULL,
    protocol_title  TEXT NOT NULL,
    protocol_text   TEXT NOT NULL,
    protocol_sha256 TEXT NOT NULL,
    capacity_pc     INTEGER NOT NULL,
    traits          TEXT NOT NULL,
    caps            TEXT NOT NULL,
    history         TEXT NOT NULL,
    effective       TEXT NOT NULL,
    software        TEXT NOT NULL,
    boot_id         TEXT NOT NULL,
    rehearsal       INTEGER NOT NULL CHECK (rehearsal IN (0, 1)),
    created_us      INTEGER NOT NULL,
    created_utc_us  INTEGER NOT NULL,
    state           TEXT NOT NULL DEFAULT 'planned',
    wait            TEXT NOT NULL DEFAULT 'none',
    needs           TEXT NOT NULL DEFAULT '',
    started_utc_us  INTEGER,
    ended_utc_us    INTEGER,
    started_us      INTEGER NOT NULL DEFAULT 0,
    ended_us        INTEGER NOT NULL DEFAULT 0
) STRICT;

CREATE TABLE visit(
    run                  INTEGER NOT NULL REFERENCES run(number),
    visit                INTEGER NOT NULL,
    path                 TEXT NOT NULL,
    name                 TEXT NOT NULL,
    pass                 TEXT NOT NULL,
    kind                 TEXT NOT NULL,
    cycle                INTEGER NOT NULL,
    ends_cycle           INTEGER NOT NULL CHECK (ends_cycle IN (0, 1)),
    started_us           INTEGER NOT NULL,
    ended_us             INTEGER NOT NULL,
    charge_in_ah         REAL,
    charge_out_ah        REAL,
    energy_in_wh         REAL,
    energy_out_wh        REAL,
    net_at_start_ah      REAL,
    voltage_start_v      REAL,
    voltage_end_v        REAL,
    current_end_a        REAL,
    temperature_max_degc REAL,
    ended_by             TEXT NOT NULL,
    resistance_ohm       REAL,
    no_resistance        TEXT NOT NULL,
    PRIMARY KEY (run, visit)
) STRICT, WITHOUT ROWID;

CREATE TABLE event(
    number   INTEGER PRIMARY KEY,
    run      INTEGER NOT NULL REFERENCES run(number),
    sequence INTEGER NOT NULL,
    event    TEXT NOT NULL,
    code     INTEGER NOT NULL,
    step     INTEGER NOT NULL,
    visit    INTEGER NOT NULL,
    time_us  INTEGER NOT NULL,
    value    INTEGER NOT NULL,
    bound    INTEGER NOT NULL,
    kind     TEXT NOT NULL,
    text     TEXT NOT NULL,
    utc_us   INTEGER NOT NULL
) STRICT;
CREATE INDEX event_of_run ON event(run);

CREATE TABLE sample(
    run                 INTEGER NOT NULL REFERENCES run(number),
    sequence            INTEGER NOT NULL,
    visit               INTEGER NOT NULL,
    cycle               INTEGER NOT NULL,
    path                TEXT NOT NULL,
    time_us             INTEGER NOT NULL,
    utc_us              INTEGER NOT NULL,
    step_time_us        INTEGER NOT NULL,
    voltage_v           REAL,
    voltage_quality     INTEGER NOT NULL CHECK ((voltage_quality = 2) = (voltage_v IS NOT NULL)),
    voltage_age_us      INTEGER,
    terminals_v         REAL,
    terminals_quality   INTEGER NOT NULL CHECK ((terminals_quality = 2) = (terminals_v IS NOT NULL)),
    terminals_age_us    INTEGER,
    current_a           REAL,
    current_quality     INTEGER NOT NULL CHECK ((current_quality = 2) = (current_a IS NOT NULL)),
    current_age_us      INTEGER,
    temperature_degc    REAL,
    temperature_quality INTEGER NOT NULL CHECK ((temperature_quality = 2) = (temperature_degc IS NOT NULL)),
    temperature_age_us  INTEGER,
    ambient_degc        REAL,
    ambient_quality     INTEGER NOT NULL CHECK ((ambient_quality = 2) = (ambient_degc IS NOT NULL)),
    ambient_age_us      INTEGER,
    mode                INTEGER NOT NULL,
    raw_hash            INTEGER NOT NULL,
    charge_in_ah        REAL,
    charge_out_ah       REAL,
    energy_in_wh        REAL,
    energy_out_wh       REAL,
    PRIMARY KEY (run, sequence)
) STRICT, WITHOUT ROWID;

CREATE TABLE tape(
    run            INTEGER NOT NULL REFERENCES run(number),
    first_sequence INTEGER NOT NULL,
    last_sequence  INTEGER NOT NULL CHECK (last_sequence >= first_sequence),
    utc_us         INTEGER NOT NULL,
    bytes          BLOB NOT NULL,
    PRIMARY KEY (run, first_sequence)
) STRICT, WITHOUT ROWID;

CREATE TABLE checkpoint(
    run      INTEGER PRIMARY KEY REFERENCES run(number),
    sequence INTEGER NOT NULL,
    state    BLOB NOT NULL
) STRICT;

CREATE TABLE guard_margin(
    run            INTEGER NOT NULL REFERENCES run(number),
    place          INTEGER NOT NULL,
    name           TEXT NOT NULL,
    unit           TEXT NOT NULL,
    trip           REAL,
    closest        REAL,
    closest_second REAL,
    written        INTEGER NOT NULL CHECK (written IN (0, 1)),
    PRIMARY KEY (run, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE operator_action(
    number  INTEGER PRIMARY KEY,
    utc_us  INTEGER NOT NULL,
    run     INTEGER REFERENCES run(number),
    channel TEXT NOT NULL,
    verb    TEXT NOT NULL,
    detail  TEXT NOT NULL,
    who     TEXT NOT NULL
) STRICT;
CREATE INDEX operator_action_on_run ON operator_action(run);

CREATE TABLE cell(
    id             TEXT PRIMARY KEY,
    furthest       TEXT NOT NULL,
    known          INTEGER NOT NULL CHECK (known IN (0, 1)),
    armed          INTEGER NOT NULL CHECK (armed IN (0, 1)),
    quarantined    INTEGER NOT NULL CHECK (quarantined IN (0, 1)),
    first_leg_over INTEGER NOT NULL CHECK (first_leg_over IN (0, 1)),
    leg_pc         INTEGER NOT NULL,
    leg_unseen_pc  INTEGER NOT NULL,
    net_pc         INTEGER NOT NULL,
    net_unseen_pc  INTEGER NOT NULL,
    highest_nv     INTEGER NOT NULL,
    measured_pc    INTEGER NOT NULL,
    low_since_us   INTEGER NOT NULL,
    quarantine     TEXT NOT NULL,
    updated_utc_us INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE mark(
    run              INTEGER NOT NULL REFERENCES run(number),
    visit            INTEGER NOT NULL,
    of_run           INTEGER NOT NULL CHECK (of_run IN (0, 1)),
    at_us            INTEGER NOT NULL,
    path             TEXT NOT NULL,
    time_us          INTEGER NOT NULL,
    mean_v           REAL,
    deviation_v      REAL,
    temperature_degc REAL,
    readings         INTEGER NOT NULL,
    PRIMARY KEY (run, visit, of_run, at_us)
) STRICT, WITHOUT ROWID;

CREATE TABLE move(
    run            INTEGER NOT NULL REFERENCES run(number),
    place          INTEGER NOT NULL,
    after_sequence INTEGER NOT NULL,
    from_channel   TEXT NOT NULL,
    to_channel     TEXT NOT NULL,
    traits         TEXT NOT NULL,
    caps           TEXT NOT NULL,
    utc_us         INTEGER NOT NULL,
    PRIMARY KEY (run, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE hand_reading(
    number INTEGER PRIMARY KEY,
    cell   TEXT NOT NULL REFERENCES cell(id),
    name   TEXT NOT NULL,
    value  REAL,
    unit   TEXT NOT NULL,
    text   TEXT NOT NULL,
    run    INTEGER REFERENCES run(number),
    path   TEXT NOT NULL,
    utc_us INTEGER NOT NULL,
    who    TEXT NOT NULL
) STRICT;
CREATE INDEX hand_reading_of_cell ON hand_reading(cell);
CREATE INDEX hand_reading_of_run ON hand_reading(run);

CREATE TABLE quarantine_lifted(
    number     INTEGER PRIMARY KEY,
    cell       TEXT NOT NULL REFERENCES cell(id),
    quarantine TEXT NOT NULL,
    reason     TEXT NOT NULL,
    utc_us     INTEGER NOT NULL,
    who        TEXT NOT NULL
) STRICT;
CREATE INDEX quarantine_lifted_of_cell ON quarantine_lifted(cell);

CREATE TABLE channel_latch(
    channel TEXT PRIMARY KEY,
    text    TEXT NOT NULL,
    utc_us  INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
)sql";

std::string directory_of(const std::string& path) {
    return std::filesystem::path(path).parent_path().string();
}

std::string system_words(int number) {
    return std::generic_category().message(number);
}

std::int64_t utc_now() {
    using namespace std::chrono;
    return duration_cast<microseconds>(system_clock::now().time_since_epoch()).count();
}

// fsync of a file does not cover its name: the directory holds that.
Result<void> sync_directory(const std::string& directory) {
    const int fd = ::open(directory.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    const bool good = fd >= 0 && ::fsync(fd) == 0;
    const int number = errno;
    if (fd >= 0)
        ::close(fd);
    if (good)
        return {};
    return fail(Failure::cannot_write, "cannot sync the directory " + directory + ": " + system_words(number));
}

Result<void> fill(const std::string& path) {
    auto connection = Connection::open(path, Connection::Mode::create);
    if (!connection)
        return tl::unexpected(std::move(connection.error()));
    const std::string now = std::to_string(utc_now());
    const std::string sql = "PRAGMA synchronous = FULL; BEGIN IMMEDIATE;" + std::string(tables) +
                            "INSERT INTO ledger VALUES(1, " + now + ", " + now + ", 0);" +
                            "PRAGMA application_id = " + std::to_string(application_id) +
                            "; PRAGMA user_version = " + std::to_string(schema_version) + "; COMMIT;";
    if (auto done = connection->run(sql); !done)
        return done;
    const auto mode = connection->text("PRAGMA journal_mode = WAL");
    if (!mode)
        return tl::unexpected(mode.error());
    if (*mode != "wal") {
        return fail(Failure::cannot_create, "cannot create the ledger " + path +
                                                ": its file system gives it the journal mode \"" + *mode +
                                                "\"; put it on a local disk that can have a write-ahead log");
    }
    return {};
}

Result<void> check_marks(Connection& connection, const std::string& path) {
    const auto application = connection.integer("PRAGMA application_id");
    if (!application)
        return tl::unexpected(application.error());
    if (*application != application_id) {
        return fail(Failure::bad_data,
                    path +
                        " is not a ledger: it is an SQLite database of another program; name a ledger of "
                        "slowfilm, or a file that does not exist yet");
    }
    const auto version = connection.integer("PRAGMA user_version");
    if (!version)
        return tl::unexpected(version.error());
    if (*version > schema_version) {
        return fail(Failure::bad_data, path + " is a ledger of version " + std::to_string(*version) +
                                           ", from a newer slowfilm; " + "this one reads versions up to " +
                                           std::to_string(schema_version) + ": use the newer program");
    }
    if (*version < 1) {
        return fail(Failure::bad_data, path + " is a ledger of version " + std::to_string(*version) +
                                           ", which there never was; take it from a good copy");
    }
    return {};
}

// A log that outlived its ledger would be played into the new file.
Result<Found> missing(const std::string& path) {
    for (const char* suffix : {"-wal", "-journal"}) {
        std::string log = path;
        log += suffix;
        struct stat facts {};
        if (::stat(log.c_str(), &facts) != 0 || facts.st_size == 0)
            continue;
        std::string message = "there is no ledger " + path;
        message += ", but its log " + log;
        message += " is there; put the ledger back beside it, or move the log away";
        return fail(Failure::bad_data, std::move(message));
    }
    return Found::missing;
}

// SQLite's words for what is no database become a sentence about ledgers.
Error not_a_ledger(const std::string& path, Error error, bool not_a_database) {
    if (!not_a_database)
        return error;
    return {Failure::bad_data,
            path +
                " is not a ledger: it is not an SQLite database; name a ledger of slowfilm, or a file that "
                "does not exist yet"};
}

}  // namespace

std::string resolved(const std::string& path) {
    std::error_code error;
    const auto absolute = std::filesystem::absolute(path, error);
    if (error)
        return path;
    const auto canonical = std::filesystem::weakly_canonical(absolute, error);
    return error ? absolute.string() : canonical.string();
}

Result<ReadOnly> open_for_reading(const std::string& path) {
    struct stat facts {};
    const bool has_log = ::stat((path + "-wal").c_str(), &facts) == 0;
    const bool log_is_empty = has_log && facts.st_size == 0;
    ReadOnly result;
    result.immutable = !has_log;
    int attempts = 2;
    while (attempts-- > 0) {
        auto opened = Connection::open(path, result.immutable ? Connection::Mode::immutable : Connection::Mode::read);
        if (!opened)
            return tl::unexpected(std::move(opened.error()));
        sqlite3_busy_timeout(opened->handle(), 5'000);
        const auto marks = check_marks(*opened, path);
        if (marks) {
            result.connection = std::move(*opened);
            return result;
        }
        const int code = primary(sqlite3_errcode(opened->handle()));
        const bool cannot_share = code == SQLITE_CANTOPEN || code == SQLITE_READONLY;
        if (cannot_share && log_is_empty && !result.immutable) {
            result.immutable = true;
            continue;
        }
        if (cannot_share) {
            std::string message = "the ledger " + path;
            message += " has a log beside it (" + path;
            message +=
                "-wal) that cannot be read where this user may not write the directory; copy both files to a "
                "directory of your own and read them there";
            return fail(Failure::bad_data, std::move(message));
        }
        return tl::unexpected(not_a_ledger(path, marks.error(), code == SQLITE_NOTADB));
    }
    return fail(Failure::bad_data, "the ledger " + path + " cannot be opened for reading");
}

Result<Found> examine(const std::string& path) {
    const std::string directory = directory_of(path);
    struct stat facts {};
    if (::stat(directory.c_str(), &facts) != 0 || !S_ISDIR(facts.st_mode)) {
        return fail(Failure::cannot_create,
                    "cannot create the ledger " + path + ": there is no directory " + directory + "; make it first");
    }
    if (::stat(path.c_str(), &facts) != 0) {
        if (errno == ENOENT)
            return missing(path);
        return fail(Failure::not_allowed, "cannot look at the ledger " + path + ": " + system_words(errno));
    }
    if (!S_ISREG(facts.st_mode)) {
        return fail(Failure::bad_data, path + " is not a ledger: it is " +
                                           (S_ISDIR(facts.st_mode) ? "a directory" : "not a regular file") +
                                           "; name a file");
    }
    if (facts.st_size == 0)
        return missing(path);
    if (::access(path.c_str(), R_OK) != 0) {
        return fail(Failure::not_allowed, "cannot read the ledger " + path + ": " + system_words(errno) +
                                              "; this user needs the right to read it");
    }
    const auto opened = open_for_reading(path);
    if (!opened)
        return tl::unexpected(opened.error());
    return Found::ours;
}

Result<void> create_file(const std::string& path) {
    const std::string passing = path + ".new";
    for (const char* suffix : {"", "-journal", "-wal", "-shm"}) ::unlink((passing + suffix).c_str());
    auto filled = fill(passing);
    if (filled && ::rename(passing.c_str(), path.c_str()) == 0)
        return sync_directory(directory_of(path));
    const int number = errno;
    for (const char* suffix : {"", "-journal", "-wal", "-shm"}) ::unlink((passing + suffix).c_str());
    if (!filled)
        return filled;
    return fail(Failure::cannot_create, "cannot create the ledger " + path + ": " + system_words(number));
}

}  // namespace slowfilm::ledger
