#include "daemon/ledger/reader.hpp"

#include "daemon/ledger/names.hpp"
#include "daemon/ledger/reader_state.hpp"
#include "daemon/ledger/rows.hpp"
#include "daemon/ledger/tape.hpp"

#include <utility>

#include <sys/stat.h>

namespace slowfilm::ledger {
namespace {

// Rows of one short read; between two of them the writer can recycle its log.
constexpr int samples_at_once = 4096;
constexpr int chunks_at_once = 256;

std::string select(std::string_view columns, std::string_view rest) {
    return "SELECT " + std::string(columns) + " FROM " + std::string(rest);
}

// All rows of a statement whose parameters are bound.
template <class T>
Result<void> read_all(const Connection& connection, Statement& statement, std::vector<T>& into) {
    int code = statement.step();
    while (code == SQLITE_ROW) {
        T value{};
        if (auto done = read(statement, value); !done)
            return done;
        into.push_back(std::move(value));
        code = statement.step();
    }
    if (code != SQLITE_DONE)
        return tl::unexpected(connection.error(Failure::bad_data, "read", code));
    return {};
}

template <class T, class... Parameter>
Result<std::vector<T>> rows(const Connection& connection, const std::string& sql, Parameter... parameters) {
    auto statement = Statement::prepare(connection, sql);
    if (!statement)
        return tl::unexpected(std::move(statement.error()));
    (statement->bind(parameters), ...);
    std::vector<T> result;
    if (auto done = read_all(connection, *statement, result); !done)
        return tl::unexpected(std::move(done.error()));
    return result;
}

// One view of the file for several statements; read transactions end with the object.
class Snapshot {
  public:
    explicit Snapshot(Connection& connection) : connection_(connection), begun_(connection.run("BEGIN")) {}
    ~Snapshot() {
        if (begun_)
            static_cast<void>(connection_.run("COMMIT"));
    }
    Snapshot(const Snapshot&) = delete;
    Snapshot& operator=(const Snapshot&) = delete;

  private:
    Connection& connection_;
    Result<void> begun_;
};

}  // namespace

// What a list of runs needs of a row.
Result<void> read(Statement& from, RunLine& line) {
    line.run = static_cast<RunNumber>(from.integer());
    line.cell = from.text();
    line.channel = from.text();
    line.title = from.text();
    const std::string word = from.text();
    const auto state = from_word<RunState>(word);
    if (!state) {
        return fail(Failure::bad_data, "the ledger's run " + std::to_string(line.run) + " has the state \"" + word +
                                           "\", which slowfilm never writes; take the ledger from a good copy");
    }
    line.state = *state;
    const std::string wait_word = from.text();
    const auto wait = from_word<WaitReason>(wait_word);
    if (!wait) {
        return fail(Failure::bad_data, "the ledger's run " + std::to_string(line.run) + " waits for \"" + wait_word +
                                           "\", which slowfilm never writes; take the ledger from a good copy");
    }
    line.wait = *wait;
    line.started_utc = from.integer_or_null();
    line.ended_utc = from.integer_or_null();
    const Time started{from.integer()};
    const Time ended{from.integer()};
    const std::optional<std::int64_t> last_sample = from.integer_or_null();
    if (line.started_utc && line.ended_utc) {
        line.length = ended - started;
    } else if (line.started_utc && last_sample) {
        line.length = Time{*last_sample} - started;
    }
    line.rehearsal = from.integer() != 0;
    line.boot_id = from.text();
    line.last = Time{from.integer()};
    line.last_utc = from.integer();
    line.protocol_sha256 = from.text();
    return {};
}

// A file that was opened as it lay there may have got a writer since: then it is read through its log.
Result<void> Reader::State::refresh() {
    struct stat facts {};
    if (!immutable || ::stat((path + "-wal").c_str(), &facts) != 0)
        return {};
    auto opened = open_for_reading(path);
    if (!opened)
        return tl::unexpected(std::move(opened.error()));
    connection = std::move(opened->connection);
    immutable = opened->immutable;
    return {};
}

Result<void> Reader::State::has_run(RunNumber number) {
    auto statement = Statement::prepare(connection, "SELECT 1 FROM run WHERE number = ?");
    if (!statement)
        return tl::unexpected(std::move(statement.error()));
    statement->bind(std::int64_t{number});
    const int code = statement->step();
    if (code == SQLITE_ROW)
        return {};
    if (code != SQLITE_DONE)
        return tl::unexpected(connection.error(Failure::bad_data, "read", code));
    const auto there = connection.text(
        "SELECT coalesce(group_concat(number, ', '), '') FROM (SELECT number FROM run "
        "ORDER BY number DESC LIMIT 20)");
    if (!there)
        return tl::unexpected(there.error());
    return fail(Failure::no_input, "there is no run " + std::to_string(number) + " in " + path +
                                       (there->empty() ? "; it has no runs yet" : "; its latest runs are " + *there));
}

Reader::Reader(std::unique_ptr<State> state) : state_(std::move(state)) {}
Reader::~Reader() = default;

Result<std::unique_ptr<Reader>> Reader::open(const std::string& path) {
    const std::string file = resolved(path);
    struct stat facts {};
    if (::stat(file.c_str(), &facts) != 0) {
        return fail(Failure::no_input,
                    "there is no ledger " + path + "; name one that a daemon or a rehearsal has written");
    }
    const auto found = examine(file);
    if (!found)
        return tl::unexpected(found.error());
    if (*found == Found::missing) {
        return fail(Failure::bad_data,
                    path + " is not a ledger: it is empty; name one that a daemon or a rehearsal has written");
    }
    auto opened = open_for_reading(file);
    if (!opened)
        return tl::unexpected(std::move(opened.error()));
    auto state = std::make_unique<State>();
    state->path = file;
    state->connection = std::move(opened->connection);
    state->immutable = opened->immutable;
    return std::unique_ptr<Reader>(new Reader(std::move(state)));
}

Result<std::vector<RunLine>> Reader::runs() {
    if (auto done = state_->refresh(); !done)
        return tl::unexpected(std::move(done.error()));
    return rows<RunLine>(
        state_->connection,
        "SELECT number, cell, channel, protocol_title, state, wait, started_utc_us, ended_utc_us, started_us, "
        "ended_us, "
        "(SELECT time_us FROM sample WHERE run = run.number ORDER BY sequence DESC LIMIT 1), rehearsal, boot_id, "
        "coalesce((SELECT event.time_us FROM event WHERE event.run = run.number ORDER BY event.number DESC LIMIT 1), "
        "created_us), "
        "coalesce((SELECT event.utc_us FROM event WHERE event.run = run.number ORDER BY event.number DESC LIMIT 1), "
        "created_utc_us), protocol_sha256 FROM run ORDER BY run.number");
}

Result<RunData> Reader::run(RunNumber number) {
    if (auto done = state_->refresh(); !done)
        return tl::unexpected(std::move(done.error()));
    Connection& connection = state_->connection;
    const Snapshot snapshot(connection);
    if (auto done = state_->has_run(number); !done)
        return tl::unexpected(std::move(done.error()));
    const std::int64_t n = number;
    auto header = rows<RunHeader>(connection, select(run_columns, "run WHERE number = ?"), n);
    if (!header)
        return tl::unexpected(std::move(header.error()));
    auto status = rows<RunStatus>(connection, select(status_columns, "run WHERE number = ?"), n);
    if (!status)
        return tl::unexpected(std::move(status.error()));
    auto visits = rows<VisitRecord>(connection, select(visit_columns, "visit WHERE run = ? ORDER BY visit"), n);
    if (!visits)
        return tl::unexpected(std::move(visits.error()));
    auto events = rows<EventRecord>(connection, select(event_columns, "event WHERE run = ? ORDER BY number"), n);
    if (!events)
        return tl::unexpected(std::move(events.error()));
    auto margins = rows<GuardMargins::Row>(
        connection,
        "SELECT name, unit, trip, closest, closest_second, written FROM guard_margin WHERE run = ? ORDER BY place", n);
    if (!margins)
        return tl::unexpected(std::move(margins.error()));
    auto actions =
        rows<OperatorAction>(connection, select(action_columns, "operator_action WHERE run = ? ORDER BY number"), n);
    if (!actions)
        return tl::unexpected(std::move(actions.error()));
    auto marks = rows<MarkRecord>(connection, select(mark_columns, "mark WHERE run = ? ORDER BY time_us, of_run"), n);
    if (!marks)
        return tl::unexpected(std::move(marks.error()));
    auto moves = rows<MoveRecord>(connection, select(move_columns, "move WHERE run = ? ORDER BY place"), n);
    if (!moves)
        return tl::unexpected(std::move(moves.error()));
    auto entered =
        rows<HandReading>(connection, select(hand_reading_columns, "hand_reading WHERE run = ? ORDER BY number"), n);
    if (!entered)
        return tl::unexpected(std::move(entered.error()));
    return RunData{std::move(header->front()),
                   std::move(status->front()),
                   std::move(*visits),
                   std::move(*events),
                   {number, std::move(*margins)},
                   std::move(*actions),
                   std::move(*marks),
                   std::move(*moves),
                   std::move(*entered)};
}

Result<void> Reader::samples(RunNumber number, const std::function<bool(const SampleRecord&)>& visit) {
    if (auto done = state_->refresh(); !done)
        return done;
    if (auto done = state_->has_run(number); !done)
        return done;
    auto statement = Statement::prepare(
        state_->connection, select(sample_columns, "sample WHERE run = ? AND sequence > ? ORDER BY sequence LIMIT ?"));
    if (!statement)
        return tl::unexpected(std::move(statement.error()));
    std::vector<SampleRecord> some;
    std::int64_t after = -1;
    do {
        some.clear();
        for (const std::int64_t parameter : {std::int64_t{number}, after, std::int64_t{samples_at_once}}) {
            statement->bind(parameter);
        }
        auto done = read_all(state_->connection, *statement, some);
        statement->rewind();
        if (!done)
            return done;
        for (const SampleRecord& sample : some) {
            if (!visit(sample))
                return {};
        }
        if (!some.empty())
            after = static_cast<std::int64_t>(some.back().sequence);
    } while (some.size() == samples_at_once);
    return {};
}

// Chunks in order, gaps and all; the visitor returns false to stop.
Result<void> Reader::State::chunks(RunNumber number, std::uint64_t after,
                                   const std::function<bool(const TapeChunk&)>& visit) {
    auto statement = Statement::prepare(connection, select(tape_columns,
                                                           "tape WHERE run = ? AND first_sequence >= ? "
                                                           "ORDER BY first_sequence LIMIT ?"));
    if (!statement)
        return tl::unexpected(std::move(statement.error()));
    auto first =
        connection.integer("SELECT coalesce(max(first_sequence), 0) FROM tape WHERE run = " + std::to_string(number) +
                           " AND first_sequence <= " + std::to_string(after) + " + 1");
    if (!first)
        return tl::unexpected(std::move(first.error()));
    std::vector<TapeChunk> some;
    do {
        some.clear();
        for (const std::int64_t parameter : {std::int64_t{number}, *first, std::int64_t{chunks_at_once}}) {
            statement->bind(parameter);
        }
        auto done = read_all(connection, *statement, some);
        statement->rewind();
        if (!done)
            return done;
        for (const TapeChunk& chunk : some) {
            if (!visit(chunk))
                return {};
        }
        if (!some.empty())
            *first = static_cast<std::int64_t>(some.back().first_sequence) + 1;
    } while (some.size() == chunks_at_once);
    return {};
}

// The inputs of a chunk, checked against its row.
Result<std::vector<Input>> inputs_of(const TapeChunk& chunk) {
    const std::string where = "run " + std::to_string(chunk.run) + ", inputs " + std::to_string(chunk.first_sequence) +
                              " to " + std::to_string(chunk.last_sequence) + ": ";
    auto inputs = decode_tape(chunk.bytes);
    if (!inputs)
        return fail(Failure::bad_data, where + inputs.error().message);
    std::uint64_t expected = chunk.first_sequence;
    for (const Input& input : *inputs) {
        if (input.sequence != expected++) {
            return fail(Failure::bad_data, where + "the chunk of the tape holds input " +
                                               std::to_string(input.sequence) + " where " +
                                               std::to_string(expected - 1) + " belongs");
        }
    }
    if (expected != chunk.last_sequence + 1) {
        return fail(Failure::bad_data, where + "the chunk of the tape ends with input " + std::to_string(expected - 1));
    }
    return inputs;
}

Result<void> Reader::tape(RunNumber number, std::uint64_t after, const std::function<bool(const Input&)>& visit) {
    if (auto done = state_->refresh(); !done)
        return done;
    if (auto done = state_->has_run(number); !done)
        return done;
    Result<void> outcome;
    std::uint64_t last = after;  // the last input given, or before the first
    auto read = state_->chunks(number, after, [&](const TapeChunk& chunk) {
        if (chunk.last_sequence <= after)
            return true;
        if (chunk.first_sequence > last + 1) {
            outcome =
                fail(Failure::bad_data,
                     "the tape of run " + std::to_string(number) + " lacks the inputs " + std::to_string(last + 1) +
                         " to " + std::to_string(chunk.first_sequence - 1) + "; take the ledger from a good copy");
            return false;
        }
        const auto inputs = inputs_of(chunk);
        if (!inputs) {
            outcome = tl::unexpected(inputs.error());
            return false;
        }
        for (const Input& input : *inputs) {
            if (input.sequence > last && !visit(input))
                return false;
        }
        last = chunk.last_sequence;
        return true;
    });
    return read ? outcome : read;
}

Result<std::optional<Checkpoint>> Reader::last_checkpoint(RunNumber number) {
    if (auto done = state_->refresh(); !done)
        return tl::unexpected(std::move(done.error()));
    if (auto done = state_->has_run(number); !done)
        return tl::unexpected(std::move(done.error()));
    auto found = rows<Checkpoint>(state_->connection, select(checkpoint_columns, "checkpoint WHERE run = ?"),
                                  std::int64_t{number});
    if (!found)
        return tl::unexpected(std::move(found.error()));
    if (found->empty())
        return std::optional<Checkpoint>();
    return std::optional(std::move(found->front()));
}

Result<std::vector<CellRecord>> Reader::cells() {
    if (auto done = state_->refresh(); !done)
        return tl::unexpected(std::move(done.error()));
    return rows<CellRecord>(state_->connection, select(cell_columns, "cell ORDER BY id"));
}

Result<std::optional<CellRecord>> Reader::cell(std::string_view id) {
    if (auto done = state_->refresh(); !done)
        return tl::unexpected(std::move(done.error()));
    auto found = rows<CellRecord>(state_->connection, select(cell_columns, "cell WHERE id = ?"), id);
    if (!found)
        return tl::unexpected(std::move(found.error()));
    if (found->empty())
        return std::optional<CellRecord>();
    return std::optional(std::move(found->front()));
}

Result<std::optional<Charge>> Reader::last_capacity(std::string_view cell) {
    if (auto done = state_->refresh(); !done)
        return tl::unexpected(std::move(done.error()));
    const auto found =
        rows<RunHeader>(state_->connection,
                        select(run_columns, "run WHERE cell = ? AND rehearsal = 0 ORDER BY number DESC LIMIT 1"), cell);
    if (!found)
        return tl::unexpected(found.error());
    return found->empty() ? std::nullopt : std::optional(found->front().capacity);
}

Result<std::vector<HandReading>> Reader::hand_readings(std::string_view cell) {
    if (auto done = state_->refresh(); !done)
        return tl::unexpected(std::move(done.error()));
    return rows<HandReading>(state_->connection,
                             select(hand_reading_columns, "hand_reading WHERE cell = ? ORDER BY number"), cell);
}

Result<std::vector<HandReading>> Reader::hand_readings() {
    if (auto done = state_->refresh(); !done)
        return tl::unexpected(std::move(done.error()));
    return rows<HandReading>(state_->connection, select(hand_reading_columns, "hand_reading ORDER BY number"));
}

Result<std::vector<QuarantineLifted>> Reader::lifted(std::string_view cell) {
    if (auto done = state_->refresh(); !done)
        return tl::unexpected(std::move(done.error()));
    return rows<QuarantineLifted>(state_->connection,
                                  select(lifted_columns, "quarantine_lifted WHERE cell = ? ORDER BY number"), cell);
}

Result<std::vector<ChannelLatch>> Reader::latches() {
    if (auto done = state_->refresh(); !done)
        return tl::unexpected(std::move(done.error()));
    return rows<ChannelLatch>(state_->connection, select(latch_columns, "channel_latch ORDER BY channel"));
}

Result<void> Reader::has_run(RunNumber number) {
    if (auto done = state_->refresh(); !done)
        return done;
    return state_->has_run(number);
}

}  // namespace slowfilm::ledger
