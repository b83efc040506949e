// The writer's thread: when it commits, what it refuses, and what it tells.
#include "daemon/ledger/batch.hpp"
#include "tests/daemon/ledger/ledger_samples.hpp"
#include "tests/daemon/ledger/plain_sqlite.hpp"

#include <atomic>
#include <condition_variable>
#include <future>
#include <mutex>
#include <thread>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::ledger {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

TEST(Writer, tells_commits_in_the_order_they_were_asked_for_and_only_when_they_are_readable) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    const auto reader = open_reader(directory.file());
    ASSERT_TRUE(writer->put(header_of(1)));
    Feed feed(*writer, 1);
    std::vector<int> order;  // of the writer's thread until flush
    std::vector<std::uint64_t> missing;
    for (int n = 0; n < 50; ++n) {
        ASSERT_TRUE(feed.put(3));
        writer->commit([&, n, put = feed.sequence()](const Result<void>& outcome) {
            ASSERT_TRUE(outcome) << outcome.error().message;
            order.push_back(n);
            std::uint64_t there = 0;
            ASSERT_TRUE(reader->tape(1, put - 1, [&](const Input& input) {
                there = input.sequence;
                return false;
            }));
            if (there != put)
                missing.push_back(put);
        });
    }
    writer->commit({});
    ASSERT_TRUE(writer->flush());
    std::vector<int> expected(50);
    for (int n = 0; n < 50; ++n) expected[static_cast<std::size_t>(n)] = n;
    EXPECT_EQ(order, expected);
    EXPECT_THAT(missing, IsEmpty());
}

TEST(Writer, commits_by_itself_after_its_interval) {
    const Directory directory;
    WriterOptions options{.path = directory.file(), .interval = {1'000}};
    auto writer = Writer::open(options);
    ASSERT_TRUE(writer) << writer.error().message;
    ASSERT_TRUE((*writer)->put(header_of(1)));
    // Nobody asks for a commit: the run turns up because the interval is over.
    while ((*writer)->health().commits == 0) std::this_thread::yield();
    EXPECT_TRUE(open_reader(directory.file())->run(1));
}

TEST(Writer, closing_commits_what_is_queued) {
    const Directory directory;
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        Feed feed(*writer, 1);
        ASSERT_TRUE(feed.put(100));
    }
    const auto verified = open_reader(directory.file())->verify();
    ASSERT_TRUE(verified) << verified.error().message;
    EXPECT_TRUE(verified->good) << findings(*verified);
    EXPECT_EQ(verified->runs, 1U);
    EXPECT_EQ(verified->samples, 100U);
    EXPECT_EQ(verified->tape_inputs, 100U);
}

// Holds the writer's thread inside a callback until let go.
class Gate {
  public:
    void pass() {
        std::unique_lock lock(mutex_);
        inside_ = true;
        changed_.notify_all();
        changed_.wait(lock, [this] { return open_; });
    }
    void wait_until_inside() {
        std::unique_lock lock(mutex_);
        changed_.wait(lock, [this] { return inside_; });
    }
    void open() {
        const std::lock_guard lock(mutex_);
        open_ = true;
        changed_.notify_all();
    }

  private:
    std::mutex mutex_;
    std::condition_variable changed_;
    bool inside_{false}, open_{false};
};

TEST(Writer, a_full_queue_refuses_counts_it_and_takes_again_once_it_is_written) {
    const Directory directory;
    WriterOptions options{.path = directory.file(), .interval = {3'600'000'000}, .queue_bytes_max = 40'000};
    auto opened = Writer::open(options);
    ASSERT_TRUE(opened) << opened.error().message;
    Writer& writer = **opened;
    ASSERT_TRUE(writer.put(header_of(1)));
    Gate gate;
    writer.commit([&](const Result<void>&) { gate.pass(); });
    gate.wait_until_inside();  // the disk stalls
    std::mt19937_64 noise{3};
    std::uint64_t taken = 0;
    while (writer.put(kept(1, charging_sample(taken + 1, {1}, noise)))) ++taken;
    EXPECT_GT(taken, 50U);
    EXPECT_FALSE(writer.put(kept(1, charging_sample(taken + 1, {1}, noise))));
    const WriterHealth full = writer.health();
    EXPECT_EQ(full.refused, 2U);
    EXPECT_EQ(full.queued_bytes_max, 40'000U);
    EXPECT_LE(full.queued_bytes, 40'000U);
    EXPECT_GT(full.queued_bytes, 39'000U);
    EXPECT_FALSE(full.failed);
    gate.open();
    ASSERT_TRUE(writer.flush());
    EXPECT_EQ(writer.health().samples, taken);
    EXPECT_EQ(writer.health().queued_bytes, 0U);
    EXPECT_TRUE(writer.put(kept(1, charging_sample(taken + 1, {1}, noise))));
}

TEST(Writer, a_commit_takes_nothing_that_was_put_after_it) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    const auto reader = open_reader(directory.file());
    ASSERT_TRUE(writer->put(header_of(1)));
    Gate gate;
    writer->commit([&](const Result<void>&) { gate.pass(); });
    gate.wait_until_inside();
    std::vector<std::uint64_t> there;  // when the commit was told
    std::promise<void> told;
    Feed feed(*writer, 1);
    ASSERT_TRUE(feed.put(2));
    writer->commit([&](const Result<void>& outcome) {
        ASSERT_TRUE(outcome) << outcome.error().message;
        ASSERT_TRUE(reader->samples(1, [&](const SampleRecord& sample) {
            there.push_back(sample.sequence);
            return true;
        }));
        told.set_value();
    });
    ASSERT_TRUE(feed.put(3));
    gate.open();
    told.get_future().wait();
    ASSERT_TRUE(writer->flush());
    EXPECT_THAT(there, ElementsAre(1U, 2U));
    EXPECT_EQ(writer->health().samples, 5U);
}

TEST(Writer, ten_minutes_of_sixty_four_channels_at_ten_hertz_fit_its_queue) {
    // A sample kept each second and ten inputs on the tape, of each channel, for ten minutes.
    std::mt19937_64 noise{5};
    std::size_t bytes = 0;
    TapeEncoder encoder;
    SampleRecord sample;
    for (std::uint64_t n = 1; n <= 10; ++n) {
        const Input input = charging_sample(n, {static_cast<std::int64_t>(n) * 100'000}, noise);
        sample = kept(1, input);
        encoder.add(input);
        encoder.add({n, input.time, Tick{}});
    }
    TapeChunk chunk;
    chunk.bytes = encoder.take();
    bytes += bytes_of(Record(sample)) + bytes_of(Record(chunk));
    EXPECT_LE(bytes * 64 * 600, WriterOptions{}.queue_bytes_max) << bytes << " bytes a channel and second";
}

TEST(Writer, a_record_of_no_run_is_told_to_the_next_callback_and_the_others_are_kept) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    ASSERT_TRUE(writer->put(header_of(1)));
    std::mt19937_64 noise{9};
    ASSERT_TRUE(writer->put(kept(5, charging_sample(1, {1}, noise))));  // there is no run 5
    ASSERT_TRUE(writer->put(kept(1, charging_sample(1, {1}, noise))));
    const auto told = writer->flush();
    ASSERT_FALSE(told);
    EXPECT_EQ(told.error().failure, Failure::internal);
    EXPECT_THAT(told.error().message, HasSubstr("sample 1 of run 5"));
    EXPECT_FALSE(writer->health().failed);
    EXPECT_EQ(writer->health().rejected, 1U);
    EXPECT_TRUE(writer->flush()) << "told once";
    ASSERT_TRUE(writer->put(RunStatus{.run = 6}));
    EXPECT_THAT(writer->flush().error().message, HasSubstr("the status of run 6"));
    ASSERT_TRUE(writer->put(kept(1, charging_sample(1, {1}, noise))));  // twice the same
    EXPECT_THAT(writer->flush().error().message, HasSubstr("UNIQUE"));
    EXPECT_THAT(plain_rows(directory.file(), "SELECT run, sequence FROM sample"), ElementsAre("1|1"));
}

TEST(Writer, refuses_to_wait_for_itself) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    Result<void> outcome;
    writer->commit([&](const Result<void>&) { outcome = writer->flush(); });
    ASSERT_TRUE(writer->flush());
    ASSERT_FALSE(outcome);
    EXPECT_EQ(outcome.error().failure, Failure::internal);
}

TEST(Writer, takes_records_from_many_threads) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    constexpr RunNumber runs = 4;
    for (RunNumber run = 1; run <= runs; ++run) ASSERT_TRUE(writer->put(header_of(run)));
    std::atomic<int> told{0};
    std::vector<std::thread> threads;
    for (RunNumber run = 1; run <= runs; ++run) {
        threads.emplace_back([&, run] {
            Feed feed(*writer, run);
            for (int n = 0; n < 50; ++n) {
                EXPECT_TRUE(feed.put(5));
                writer->commit([&](const Result<void>& outcome) { told += outcome ? 1 : 0; });
            }
        });
    }
    for (std::thread& thread : threads) thread.join();
    ASSERT_TRUE(writer->flush());
    EXPECT_EQ(told, 200);
    const auto verified = open_reader(directory.file())->verify();
    ASSERT_TRUE(verified) << verified.error().message;
    EXPECT_TRUE(verified->good) << findings(*verified);
    EXPECT_EQ(verified->samples, 1000U);
}

}  // namespace
}  // namespace slowfilm::ledger
