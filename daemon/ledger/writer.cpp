#include "daemon/ledger/writer.hpp"

#include "daemon/ledger/batch.hpp"
#include "daemon/ledger/file_lock.hpp"
#include "daemon/ledger/row_writer.hpp"
#include "daemon/ledger/schema.hpp"
#include "daemon/ledger/sqlite.hpp"

#include <chrono>
#include <condition_variable>
#include <future>
#include <mutex>
#include <optional>
#include <thread>
#include <type_traits>
#include <utility>
#include <vector>

#include <sys/stat.h>

namespace slowfilm::ledger {
namespace {

using Clock = std::chrono::steady_clock;

// How long a program that holds the write lock may hold up opening, and closing.
constexpr int patience_ms = 5'000;
constexpr auto retry_after = std::chrono::milliseconds(20);

struct FileIdentity {
    dev_t device{};
    ino_t inode{};
    bool operator==(const FileIdentity&) const = default;
};

std::optional<FileIdentity> identity_of(const std::string& path) {
    struct stat facts {};
    if (::stat(path.c_str(), &facts) != 0)
        return std::nullopt;
    return FileIdentity{facts.st_dev, facts.st_ino};
}

}  // namespace

struct Writer::State {
    WriterOptions options;
    FileLock lock;
    Connection connection;
    RowWriter rows;
    Statement begin, commit, rollback;
    std::optional<FileIdentity> file, log;

    mutable std::mutex mutex;
    std::condition_variable wake, retry;  // nobody notifies `retry`: it is SQLite's lock that is waited for
    // All below is of the mutex.
    Batch sealed;                    // put before the last commit(): one transaction, together with nothing after it
    std::vector<Committed> waiting;  // for `sealed`
    Batch open;                      // put since
    Clock::time_point open_since;    // when its first record came
    std::size_t writing_bytes{0};    // taken by the writer's thread, not yet on disk
    bool commit_asked{false}, stopping{false};
    RunNumber last_run{0};
    WriterHealth health;
    std::optional<Error> unreported;  // a rejection no `done` has been told

    std::thread thread;

    [[nodiscard]] Result<void> prepare();
    void work();
    [[nodiscard]] bool take(Batch& batch, std::vector<Committed>& callbacks);
    void write_and_tell(const Batch& batch, const std::vector<Committed>& callbacks);
    [[nodiscard]] Result<void> write(const Batch& batch);
    [[nodiscard]] Result<void> put_rows(const Batch& batch, std::uint64_t& samples);
    [[nodiscard]] int begin_transaction();
    [[nodiscard]] bool wait_for_the_file(std::optional<Clock::time_point>& closing_since);
    [[nodiscard]] Result<void> still_in_place() const;
    [[nodiscard]] std::size_t bytes() const { return sealed.bytes() + open.bytes() + writing_bytes; }
    void note_rejection(Error error);
};

Result<void> Writer::State::prepare() {
    const auto last = connection.integer("SELECT coalesce(max(number), 0) FROM run");
    if (!last)
        return tl::unexpected(last.error());
    last_run = static_cast<RunNumber>(*last);
    auto prepared = RowWriter::prepare(connection);
    if (!prepared)
        return tl::unexpected(std::move(prepared.error()));
    rows = std::move(*prepared);
    const std::pair<Statement*, const char*> statements[] = {
        {&begin, "BEGIN IMMEDIATE"}, {&commit, "COMMIT"}, {&rollback, "ROLLBACK"}};
    for (const auto& [statement, sql] : statements) {
        auto made = Statement::prepare(connection, sql);
        if (!made)
            return tl::unexpected(std::move(made.error()));
        *statement = std::move(*made);
    }
    file = identity_of(options.path);
    log = identity_of(options.path + "-wal");
    return still_in_place();
}

// The kernel keeps a removed file alive for those who have it open: all would seem well until the process ends.
Result<void> Writer::State::still_in_place() const {
    for (const auto& [path, identity] : {std::pair{options.path, file}, std::pair{options.path + "-wal", log}}) {
        if (identity && identity_of(path) == identity)
            continue;
        return fail(Failure::cannot_write,
                    "the ledger's file " + path +
                        " was removed or replaced while it was being written; what is written now would be "
                        "lost: put the files back and start again");
    }
    return {};
}

// Marks the writer as held up and waits a little; false once it is closing and has waited long enough.
bool Writer::State::wait_for_the_file(std::optional<Clock::time_point>& closing_since) {
    std::unique_lock guard(mutex);
    health.blocked = true;
    if (stopping && !closing_since)
        closing_since = Clock::now();
    if (closing_since && Clock::now() >= *closing_since + std::chrono::milliseconds(patience_ms))
        return false;
    retry.wait_for(guard, retry_after);
    return true;
}

int Writer::State::begin_transaction() {
    std::optional<Clock::time_point> closing_since;
    int code = begin.run();
    while (primary(code) == SQLITE_BUSY && wait_for_the_file(closing_since)) code = begin.run();
    const std::lock_guard guard(mutex);
    health.blocked = false;
    return code;
}

void Writer::State::note_rejection(Error error) {
    const std::lock_guard guard(mutex);
    ++health.rejected;
    health.rejection = error.message;
    unreported = std::move(error);
}

// A record that the schema refuses is a fault of whoever put it, not of the disk: the others of this second are
// written.
Result<void> Writer::State::put_rows(const Batch& batch, std::uint64_t& samples) {
    Result<void> outcome;
    batch.each([&]<class T>(const T& record) {
        const int code = rows.write(record);
        if (code == SQLITE_DONE) {
            if constexpr (std::is_same_v<T, SampleRecord>)
                ++samples;
            return true;
        }
        if (primary(code) == SQLITE_CONSTRAINT || primary(code) == SQLITE_TOOBIG) {
            note_rejection({Failure::internal, "the ledger does not take " + name_of(record) + ": " +
                                                   sqlite3_errmsg(connection.handle())});
            return true;
        }
        outcome = tl::unexpected(connection.error(Failure::cannot_write, "write", code));
        return false;
    });
    return outcome;
}

Result<void> Writer::State::write(const Batch& batch) {
    if (batch.empty())
        return still_in_place();
    const int begun = begin_transaction();
    if (begun != SQLITE_DONE)
        return tl::unexpected(connection.error(Failure::cannot_write, "write", begun));
    const auto start = Clock::now();
    std::uint64_t samples = 0;
    if (auto put = put_rows(batch, samples); !put) {
        static_cast<void>(rollback.run());  // SQLite may have rolled back by itself
        return put;
    }
    const int committed = commit.run();
    if (committed != SQLITE_DONE) {
        Error error = connection.error(Failure::cannot_write, "commit to", committed);
        static_cast<void>(rollback.run());
        return tl::unexpected(std::move(error));
    }
    if (auto there = still_in_place(); !there)
        return there;
    const auto took = std::chrono::duration_cast<std::chrono::microseconds>(Clock::now() - start).count();
    const std::lock_guard guard(mutex);
    ++health.commits;
    health.samples += samples;
    if (took > health.longest_commit.count)
        health.longest_commit.count = took;
    return {};
}

// Waits until there is something to do; false when there never will be again. What a commit() closed is taken by
// itself: whoever commits decides what stands or falls together.
bool Writer::State::take(Batch& batch, std::vector<Committed>& callbacks) {
    const auto interval = std::chrono::microseconds(options.interval.count);
    std::unique_lock guard(mutex);
    // A quarter of the queue is written early, so that a burst does not have to be refused.
    const auto pressing = [this] { return stopping || commit_asked || open.bytes() > options.queue_bytes_max / 4; };
    wake.wait(guard, [&] { return pressing() || !open.empty(); });
    while (!pressing() && wake.wait_until(guard, open_since + interval) == std::cv_status::no_timeout) {
    }
    if (stopping && !commit_asked && open.empty())
        return false;
    std::swap(batch, commit_asked ? sealed : open);
    std::swap(callbacks, waiting);
    writing_bytes = batch.bytes();
    commit_asked = false;
    return true;
}

void Writer::State::write_and_tell(const Batch& batch, const std::vector<Committed>& callbacks) {
    Result<void> outcome;
    std::string failure;
    {
        const std::lock_guard guard(mutex);
        failure = health.failure;
    }
    outcome = failure.empty() ? write(batch) : fail(Failure::cannot_write, failure);
    {
        const std::lock_guard guard(mutex);
        writing_bytes = 0;
        if (!outcome) {
            health.failed = true;
            health.failure = outcome.error().message;
        } else if (unreported && !callbacks.empty()) {
            outcome = tl::unexpected(*std::exchange(unreported, std::nullopt));
        }
    }
    for (const Committed& done : callbacks) {
        if (done)
            done(outcome);
    }
}

void Writer::State::work() {
    Batch batch;
    std::vector<Committed> callbacks;
    while (take(batch, callbacks)) {
        write_and_tell(batch, callbacks);
        batch.clear();
        callbacks.clear();
    }
    // A ledger whose writer failed keeps the mark and its log, and so does one that another program holds.
    const bool closed = !health.failed && begin_transaction() == SQLITE_DONE &&
                        connection.run("UPDATE ledger SET writing = 0; COMMIT").has_value();
    connection.keep_log(!closed);
}

Writer::Writer(std::unique_ptr<State> state) : state_(std::move(state)) {
    state_->thread = std::thread([state = state_.get()] { state->work(); });
}

Writer::~Writer() {
    {
        const std::lock_guard guard(state_->mutex);
        state_->stopping = true;
    }
    state_->wake.notify_one();
    state_->thread.join();
}

Result<std::unique_ptr<Writer>> Writer::open(const WriterOptions& options) {
    auto state = std::make_unique<State>();
    state->options = options;
    state->options.path = resolved(options.path);
    const std::string& path = state->options.path;
    // Before the lock file is made: nothing shall be put beside a file that is not ours.
    if (const auto before = examine(path); !before)
        return tl::unexpected(before.error());
    auto lock = FileLock::take(path);
    if (!lock)
        return tl::unexpected(std::move(lock.error()));
    state->lock = std::move(*lock);
    const auto found = examine(path);
    if (!found)
        return tl::unexpected(found.error());
    if (struct stat facts{}; ::stat(path.c_str(), &facts) == 0 && facts.st_nlink > 1) {
        return fail(Failure::bad_data, "the ledger " + path + " has " + std::to_string(facts.st_nlink) +
                                           " names (hard links), and its log and its lock stand beside one of them "
                                           "only; copy the file instead of linking it, and remove the other names");
    }
    if (*found == Found::missing) {
        if (const auto made = create_file(path); !made)
            return tl::unexpected(made.error());
    }
    auto connection = open_for_writing(path, options.pages_max);
    if (!connection)
        return tl::unexpected(std::move(connection.error()));
    state->connection = std::move(*connection);
    if (const auto prepared = state->prepare(); !prepared)
        return tl::unexpected(prepared.error());
    return std::unique_ptr<Writer>(new Writer(std::move(state)));
}

RunNumber Writer::next_run() {
    const std::lock_guard guard(state_->mutex);
    return ++state_->last_run;
}

bool Writer::put(Record record) {
    const std::size_t bytes = bytes_of(record);
    bool wake = false;
    {
        const std::lock_guard guard(state_->mutex);
        if (state_->health.failed || state_->bytes() + bytes > state_->options.queue_bytes_max) {
            ++state_->health.refused;
            return false;
        }
        const bool first = state_->open.empty();
        if (first)
            state_->open_since = Clock::now();
        state_->open.add(std::move(record));
        wake = first || state_->open.bytes() > state_->options.queue_bytes_max / 4;
    }
    if (wake)
        state_->wake.notify_one();
    return true;
}

void Writer::commit(Committed done) {
    {
        const std::lock_guard guard(state_->mutex);
        state_->sealed.append(std::move(state_->open));
        state_->waiting.push_back(std::move(done));
        state_->commit_asked = true;
    }
    state_->wake.notify_one();
}

Result<void> Writer::flush() {
    if (std::this_thread::get_id() == state_->thread.get_id()) {
        return fail(Failure::internal,
                    "the ledger's writer cannot wait for itself: flush() was called from a commit's callback");
    }
    // Shared: the writer's thread may still be inside set_value when the answer is here.
    const auto promise = std::make_shared<std::promise<Result<void>>>();
    commit([promise](const Result<void>& outcome) { promise->set_value(outcome); });
    return promise->get_future().get();
}

WriterHealth Writer::health() const {
    const std::lock_guard guard(state_->mutex);
    WriterHealth health = state_->health;
    health.queued_bytes = state_->bytes();
    health.queued_bytes_max = state_->options.queue_bytes_max;
    return health;
}

}  // namespace slowfilm::ledger
