// The ledger's one writer: one thread, one connection, one bounded queue. Control never waits for the disk.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/ledger/records.hpp"

#include <functional>
#include <memory>
#include <string>

namespace slowfilm::ledger {

struct WriterOptions {
    std::string path;
    Duration interval{1'000'000};             // wall time after which records that no commit() followed are committed
    std::size_t queue_bytes_max{16U << 20U};  // at least ten minutes of inputs at 64 channels x 10 Hz
    std::int64_t pages_max{0};                // of 4 KiB: the file may not grow beyond them; 0: as far as the disk goes
};

struct WriterHealth {
    std::size_t queued_bytes{0}, queued_bytes_max{0};  // now, what is being written included; and the most allowed
    std::uint64_t commits{0}, samples{0};
    bool failed{false};         // a write or a sync failed: nothing after it is claimed to be on disk
    std::string failure;        // the sentence
    std::uint64_t refused{0};   // records that put() did not take
    std::uint64_t rejected{0};  // records that the schema did not take; the next `done` is told
    std::string rejection;      // the last of them
    bool blocked{false};        // another program holds the file's write lock just now; the queue grows meanwhile
    Duration longest_commit;    // wall time, from the first statement to the disk's word
};

class Writer {
  public:
    // Called on the writer's thread once the records put before it are on disk, or could not be. In the order of
    // commit().
    using Committed = std::function<void(const Result<void>&)>;

    // Creates, or opens and migrates, the ledger. A file that is not ours or is from the future is refused, bytes
    // untouched. A second writer on the same file is refused (try_again).
    [[nodiscard]] static Result<std::unique_ptr<Writer>> open(const WriterOptions& options);
    ~Writer();  // commits what is queued
    Writer(const Writer&) = delete;
    Writer& operator=(const Writer&) = delete;

    // The next run's number, unique in this ledger.
    [[nodiscard]] RunNumber next_run();
    // False when the queue is full or the writer has failed; nothing of the record is then kept.
    [[nodiscard]] bool put(Record record);
    // Commits what has been put, now; `done` may be empty. What is put between two commits is never split over two
    // transactions, unless it waits longer than the interval or fills a quarter of the queue: what must stand or fall
    // together is put, then committed.
    void commit(Committed done);
    // Waits until all that was put is on disk. Not to be called from a `done`.
    [[nodiscard]] Result<void> flush();
    [[nodiscard]] WriterHealth health() const;

  private:
    struct State;
    explicit Writer(std::unique_ptr<State> state);
    std::unique_ptr<State> state_;
};

// cannot_write, with the figures, when the disk that holds `path` has less than `bytes` free for this user.
[[nodiscard]] Result<void> room_for(const std::string& path, std::uint64_t bytes);

}  // namespace slowfilm::ledger
