// Nothing that was told to be on disk is ever missing: killed processes, full and failing disks, power cuts, removed
// files.
#include "tests/daemon/ledger/ledger_samples.hpp"
#include "tests/daemon/ledger/lying_disk.hpp"
#include "tests/daemon/ledger/plain_sqlite.hpp"

#include <algorithm>
#include <csignal>
#include <iostream>

#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

namespace slowfilm::ledger {
namespace {

using testing::HasSubstr;

// Printed, so that a failure can be played again: SLOWFILM_SEED=n test_ledger --gtest_filter=...
std::mt19937_64 seeded() {
    const char* given = std::getenv("SLOWFILM_SEED");
    const std::uint64_t seed = given != nullptr ? std::strtoull(given, nullptr, 10) : std::random_device{}();
    std::cout << "SLOWFILM_SEED=" << seed << "\n";
    return std::mt19937_64(seed);
}

// The last input on the tape of a run; 0 without the run.
std::uint64_t tape_end(Reader& reader, RunNumber run) {
    std::uint64_t end = 0;
    const auto read = reader.tape(run, 0, [&](const Input& input) {
        end = input.sequence;
        return true;
    });
    return read ? end : 0;
}

// The ledger is whole and holds all that was told, samples and tape alike.
void expect_kept(const std::string& path, RunNumber run, std::uint64_t told) {
    const auto reader = open_reader(path);
    ASSERT_NE(reader, nullptr);
    const auto verified = reader->verify();
    ASSERT_TRUE(verified) << verified.error().message;
    EXPECT_TRUE(verified->good) << findings(*verified);
    if (told == 0)
        return;
    EXPECT_GE(tape_end(*reader, run), told);
    std::uint64_t samples = 0;
    ASSERT_TRUE(reader->samples(run, [&](const SampleRecord& sample) { return sample.sequence == ++samples; }));
    EXPECT_GE(samples, told);
}

// The killed child: writes without end, and reports each commit down the pipe as it is told of it.
[[noreturn]] void write_and_report(const std::string& path, int pipe) {
    auto writer = Writer::open({.path = path, .interval = {3'600'000'000}});
    if (!writer)
        ::_exit(2);
    const RunNumber run = (*writer)->next_run();
    if (!(*writer)->put(header_of(run)))
        ::_exit(3);
    Feed feed(**writer, run);
    for (int n = 0;; ++n) {
        if (!feed.put(1 + n % 7))
            ::_exit(4);
        static_cast<void>((*writer)->put(Checkpoint{run, feed.sequence(), std::string(500, 's')}));
        (*writer)->commit([pipe, told = feed.sequence()](const Result<void>& outcome) {
            if (!outcome || ::write(pipe, &told, sizeof told) != sizeof told)
                ::_exit(5);
        });
        if (n % 3 == 0 && !(*writer)->flush())
            ::_exit(6);
    }
}

TEST(Crash, a_killed_writer_loses_nothing_that_it_was_told_is_on_disk) {
    const Directory directory;
    std::mt19937_64 chance = seeded();
    for (RunNumber round = 1; round <= 10; ++round) {
        int ends[2] = {};
        ASSERT_EQ(::pipe(ends), 0);
        const pid_t child = ::fork();
        if (child == 0) {
            ::close(ends[0]);
            write_and_report(directory.file(), ends[1]);
        }
        ::close(ends[1]);
        const std::uint64_t reports = 1 + chance() % 60;
        std::uint64_t told = 0;
        for (std::uint64_t n = 0; n < reports; ++n)
            ASSERT_EQ(::read(ends[0], &told, sizeof told), ssize_t{sizeof told});
        ASSERT_EQ(::kill(child, SIGKILL), 0);
        while (::read(ends[0], &told, sizeof told) == ssize_t{sizeof told}) {
        }
        ::close(ends[0]);
        int status = 0;
        ASSERT_EQ(::waitpid(child, &status, 0), child);
        ASSERT_TRUE(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL) << "round " << round << ", status " << status;
        SCOPED_TRACE("round " + std::to_string(round) + ", told " + std::to_string(told));
        expect_kept(directory.file(), round, told);
    }
    const auto writer = open_writer(directory.file());
    EXPECT_EQ(writer->next_run(), 11U);
}

// Writes until a commit fails; what is told then, and that it stays so.
struct Outcome {
    std::uint64_t told{0};      // the last input that a success stood for
    std::string first_failure;  // "" where there was none
    bool success_after{false};  // a success told after a failure
    WriterHealth health;
};

Outcome write_until_failure(Writer& writer, int commits, int samples, const std::function<void()>& at_commit = {}) {
    Outcome outcome;
    const RunNumber run = writer.next_run();
    static_cast<void>(writer.put(header_of(run)));
    Feed feed(writer, run);
    for (int n = 0; n < commits; ++n) {
        const bool taken = feed.put(samples);
        writer.commit([&outcome, &at_commit, taken, put = feed.sequence()](const Result<void>& result) {
            if (!result) {
                if (outcome.first_failure.empty())
                    outcome.first_failure = result.error().message;
                return;
            }
            outcome.success_after = outcome.success_after || !outcome.first_failure.empty();
            if (taken)
                outcome.told = put;
            if (at_commit)
                at_commit();
        });
        if (n % 4 == 3)
            static_cast<void>(writer.flush());
    }
    static_cast<void>(writer.flush());
    outcome.health = writer.health();
    return outcome;
}

TEST(Crash, a_file_that_may_not_grow_is_told_and_never_claimed) {
    const Directory directory;
    const pid_t child = ::fork();
    if (child == 0) {
        std::signal(SIGXFSZ, SIG_IGN);
        const rlimit limit{600'000, 600'000};
        auto writer = Writer::open({.path = directory.file(), .interval = {3'600'000'000}});
        if (!writer || ::setrlimit(RLIMIT_FSIZE, &limit) != 0)
            ::_exit(2);
        const Outcome outcome = write_until_failure(**writer, 200, 50);
        const bool right = !outcome.first_failure.empty() && !outcome.success_after && outcome.told > 0 &&
                           outcome.health.failed && outcome.health.refused > 0 &&
                           outcome.first_failure.find("File too large") != std::string::npos;
        if (!right) {
            std::cerr << outcome.first_failure << "\n";
            ::_exit(3);
        }
        std::ofstream(directory.file("told")) << outcome.told;
        ::_exit(std::ifstream(directory.file("told")).good() ? 0 : 4);
    }
    int status = 0;
    ASSERT_EQ(::waitpid(child, &status, 0), child);
    ASSERT_TRUE(WIFEXITED(status));
    ASSERT_EQ(WEXITSTATUS(status), 0);
    std::uint64_t told = 0;
    std::ifstream(directory.file("told")) >> told;
    expect_kept(directory.file(), 1, told);
}

TEST(Crash, a_full_disk_is_told_once_and_for_good_and_the_ledger_stays_whole) {
    const Directory directory;
    std::uint64_t told = 0;
    {
        auto writer = Writer::open({.path = directory.file(), .interval = {3'600'000'000}, .pages_max = 120});
        ASSERT_TRUE(writer) << writer.error().message;
        const Outcome outcome = write_until_failure(**writer, 200, 50);
        EXPECT_THAT(outcome.first_failure, HasSubstr("make room on the disk"));
        EXPECT_THAT(outcome.first_failure, HasSubstr(directory.file()));
        EXPECT_FALSE(outcome.success_after);
        EXPECT_TRUE(outcome.health.failed);
        EXPECT_EQ(outcome.health.failure, outcome.first_failure);
        EXPECT_GT(outcome.told, 0U);
        told = outcome.told;
        EXPECT_FALSE((*writer)->put(header_of(9)));
        EXPECT_EQ((*writer)->flush().error().failure, Failure::cannot_write);
    }
    expect_kept(directory.file(), 1, told);
    // With room again a new writer goes on.
    const auto writer = open_writer(directory.file());
    EXPECT_EQ(writer->next_run(), 2U);
    ASSERT_TRUE(writer->put(header_of(2)));
    EXPECT_TRUE(writer->flush());
}

// The one-call-fails loop: every write and every sync of a whole life fails once, alone and for good.
void fail_each_call(bool for_good, int code) {
    LyingDisk disk;
    long n = 1;
    for (bool failed = true; failed; ++n) {
        SCOPED_TRACE("call " + std::to_string(n) + (for_good ? " and all after it" : " alone"));
        const Directory directory;
        std::uint64_t told = 0;
        disk.fail_at(n, code, for_good);
        {
            auto writer = Writer::open({.path = directory.file(), .interval = {3'600'000'000}});
            if (writer) {
                const Outcome outcome = write_until_failure(**writer, 6, 5);
                EXPECT_FALSE(outcome.success_after);
                EXPECT_EQ(outcome.health.failed, !outcome.first_failure.empty());
                told = outcome.told;
            } else {
                EXPECT_TRUE(disk.has_failed());
                EXPECT_THAT(writer.error().message, HasSubstr(directory.file()));
            }
        }
        failed = disk.has_failed();
        disk.fail_at(0, SQLITE_OK, false);
        EXPECT_TRUE(failed || told == 30) << told;
        // What is there is whole, goes on, and lacks nothing that was told.
        if (std::filesystem::exists(directory.file()))
            expect_kept(directory.file(), 1, told);
        const auto again = open_writer(directory.file());
        ASSERT_NE(again, nullptr);
        EXPECT_GE(again->next_run(), told > 0 ? 2U : 1U);
        ASSERT_LT(n, 2000);
    }
    EXPECT_GT(n, 40) << "the loop must have failed writes and syncs of creation, commits and closing";
}

TEST(Crash, each_failing_write_or_sync_alone_is_told_and_nothing_claimed_is_missing) {
    fail_each_call(false, SQLITE_IOERR_FSYNC);
}
TEST(Crash, a_disk_that_fails_for_good_at_any_call_is_told_and_nothing_claimed_is_missing) {
    fail_each_call(true, SQLITE_IOERR_WRITE);
}
TEST(Crash, a_disk_that_is_full_from_any_call_on_is_told_and_nothing_claimed_is_missing) {
    fail_each_call(true, SQLITE_FULL);
}

TEST(Crash, a_power_cut_at_any_write_loses_nothing_that_was_told) {
    std::mt19937_64 chance = seeded();
    const Directory directory;
    open_writer(directory.file());  // made before: what a cut does to directory entries is the file system's business
    struct Cut {
        std::uint64_t told{0};
        LyingDisk::Images images;
    };
    std::vector<Cut> cuts;
    Outcome outcome;
    {
        LyingDisk disk;
        auto writer = Writer::open({.path = directory.file(), .interval = {3'600'000'000}});
        ASSERT_TRUE(writer) << writer.error().message;
        std::uint64_t told = 0;
        // Some thirty of the thousands of writes; both callbacks run on the writer's thread.
        disk.on_write([&](long) {
            if (chance() % 300 == 0)
                cuts.push_back({told, disk.images()});
        });
        std::uint64_t commits = 0;
        outcome = write_until_failure(**writer, 600, 40, [&] {
            EXPECT_FALSE(disk.has_unsynced("-wal")) << "told before the log was synced";
            told = 40 * ++commits;
        });
        ASSERT_EQ(outcome.told, 24'000U);
        disk.on_write({});
    }
    ASSERT_GT(cuts.size(), 5U);
    for (const Cut& cut : cuts) {
        const Directory after;
        for (const auto& [name, image] : cut.images) {
            const std::string file = std::filesystem::path(name).filename();
            std::ofstream(after.file(file), std::ios::binary) << after_power_cut(image, chance);
        }
        SCOPED_TRACE("told " + std::to_string(cut.told));
        expect_kept(after.file(), 1, cut.told);
        EXPECT_NE(open_writer(after.file()), nullptr);
    }
}

TEST(Crash, a_ledger_removed_under_its_writer_is_noticed_at_the_next_commit) {
    for (const char* ending : {"", "-wal"}) {
        const Directory directory;
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        ASSERT_TRUE(writer->flush());
        ASSERT_TRUE(std::filesystem::remove(directory.file() + ending));
        ASSERT_TRUE(writer->put(RunStatus{.run = 1}));
        const auto flushed = writer->flush();
        ASSERT_FALSE(flushed) << "removed: " << directory.file() + ending;
        EXPECT_EQ(flushed.error().failure, Failure::cannot_write);
        EXPECT_THAT(flushed.error().message, HasSubstr(directory.file() + ending + " was removed or replaced"));
        EXPECT_TRUE(writer->health().failed);
        EXPECT_FALSE(writer->put(RunStatus{.run = 1}));
    }
}

TEST(Crash, a_ledger_replaced_under_its_writer_is_noticed) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    ASSERT_TRUE(writer->put(header_of(1)));
    ASSERT_TRUE(writer->flush());
    std::filesystem::copy_file(directory.file(), directory.file("other"));
    std::filesystem::rename(directory.file("other"), directory.file());
    EXPECT_FALSE(writer->flush()) << "also when there is nothing to write";
}

}  // namespace
}  // namespace slowfilm::ledger
