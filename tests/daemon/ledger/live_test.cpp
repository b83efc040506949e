// Reading while writing, and what `verify` finds in damaged, cut and copied ledgers.
#include "tests/daemon/ledger/ledger_samples.hpp"
#include "tests/daemon/ledger/plain_sqlite.hpp"

#include <atomic>
#include <thread>

namespace slowfilm::ledger {
namespace {

using testing::Contains;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

Verification verification_of(const std::string& path) {
    const auto verified = open_reader(path)->verify();
    if (!verified)
        ADD_FAILURE() << verified.error().message;
    return verified.value_or(Verification{});
}

// A ledger of one run, closed: 30 samples, their tape in 10 chunks, a checkpoint, three events.
void make_ledger(const std::string& path) {
    const auto writer = open_writer(path);
    ASSERT_TRUE(writer->put(header_of(1)));
    ASSERT_TRUE(writer->put(RunStatus{.run = 1, .state = RunState::done}));
    Feed feed(*writer, 1);
    for (int n = 0; n < 10; ++n) ASSERT_TRUE(feed.put(3));
    ASSERT_TRUE(writer->put(Checkpoint{1, 30, "state"}));
    for (const auto& [kind, word] : {std::pair{EventKind::started, "started"}, std::pair{EventKind::warned, "warned"},
                                     std::pair{EventKind::done, "done"}}) {
        ASSERT_TRUE(writer->put(
            EventRecord{.run = 1, .sequence = 30, .event = Event{.kind = kind}, .kind = word, .text = word, .utc = 0}));
    }
    ASSERT_TRUE(writer->flush());
}

TEST(Live, a_reader_sees_whole_commits_while_they_are_made) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    ASSERT_TRUE(writer->put(header_of(1)));
    ASSERT_TRUE(writer->flush());
    std::atomic<bool> over{false};
    std::thread reading([&] {
        const auto reader = open_reader(directory.file());
        std::uint64_t before = 0;
        bool last = false;
        while (!last) {
            last = over;
            std::uint64_t seen = 0;
            const auto read = reader->tape(1, 0, [&](const Input& input) {
                EXPECT_EQ(input.sequence, ++seen);
                return true;
            });
            ASSERT_TRUE(read) << read.error().message;
            EXPECT_EQ(seen % 5, 0U) << "half a commit";
            EXPECT_GE(seen, before);
            before = seen;
            const auto verified = reader->verify();
            ASSERT_TRUE(verified) << verified.error().message;
            EXPECT_TRUE(verified->good) << findings(*verified);
        }
        EXPECT_EQ(before, 1000U);
    });
    Feed feed(*writer, 1);
    for (int n = 0; n < 200; ++n) {
        EXPECT_TRUE(feed.put(5));
        EXPECT_TRUE(writer->flush());
    }
    over = true;
    reading.join();
}

TEST(Live, a_browser_that_reads_for_a_long_time_holds_up_no_commit) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    ASSERT_TRUE(writer->put(header_of(1)));
    ASSERT_TRUE(writer->flush());
    PlainClient browser(directory.file());
    browser.run("BEGIN");
    EXPECT_THAT(browser.rows("SELECT count(*) FROM sample"), ElementsAre("0"));  // its view is held from here
    Feed feed(*writer, 1);
    for (int n = 0; n < 100; ++n) {
        ASSERT_TRUE(feed.put(100));
        ASSERT_TRUE(writer->flush());
    }
    EXPECT_THAT(browser.rows("SELECT count(*) FROM sample"), ElementsAre("0"));
    browser.run("COMMIT");
    EXPECT_THAT(browser.rows("SELECT count(*) FROM sample"), ElementsAre("10000"));
    EXPECT_FALSE(writer->health().failed);
}

TEST(Live, a_browser_that_holds_the_write_lock_is_waited_for_and_said) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    ASSERT_TRUE(writer->put(header_of(1)));
    ASSERT_TRUE(writer->flush());
    PlainClient browser(directory.file());
    browser.run("BEGIN IMMEDIATE");
    Feed feed(*writer, 1);
    ASSERT_TRUE(feed.put(10));
    std::atomic<bool> told{false};
    writer->commit([&](const Result<void>& outcome) {
        EXPECT_TRUE(outcome) << outcome.error().message;
        told = true;
    });
    while (!writer->health().blocked) std::this_thread::yield();
    EXPECT_FALSE(told);
    EXPECT_TRUE(feed.put(10)) << "the queue takes records meanwhile";
    browser.run("ROLLBACK");
    ASSERT_TRUE(writer->flush());
    EXPECT_TRUE(told);
    EXPECT_FALSE(writer->health().blocked);
    EXPECT_EQ(writer->health().samples, 20U);
}

TEST(Live, closing_against_a_held_write_lock_gives_up_and_says_so) {
    const Directory directory;
    auto writer = open_writer(directory.file());
    ASSERT_TRUE(writer->put(header_of(1)));
    ASSERT_TRUE(writer->flush());
    PlainClient holder(directory.file());
    holder.run("BEGIN IMMEDIATE");
    ASSERT_TRUE(writer->put(header_of(2)));
    Result<void> told;
    writer->commit([&](const Result<void>& outcome) { told = outcome; });
    writer.reset();
    ASSERT_FALSE(told);
    EXPECT_EQ(told.error().failure, Failure::cannot_write);
    EXPECT_THAT(told.error().message, HasSubstr("another program holds it"));
    holder.run("ROLLBACK");
    const auto lines = open_reader(directory.file())->runs();
    ASSERT_TRUE(lines) << lines.error().message;
    EXPECT_EQ(lines->size(), 1U);
}

TEST(Live, a_reader_that_came_before_the_writer_sees_what_it_writes) {
    const Directory directory;
    make_ledger(directory.file());
    const auto reader = open_reader(directory.file());
    ASSERT_TRUE(reader->run(1));
    const auto writer = open_writer(directory.file());
    ASSERT_TRUE(writer->put(header_of(2)));
    ASSERT_TRUE(writer->flush());
    const auto run = reader->run(2);
    EXPECT_TRUE(run) << run.error().message;
}

TEST(Live, reading_a_closed_ledger_leaves_no_file_beside_it) {
    const Directory directory;
    make_ledger(directory.file());
    EXPECT_TRUE(verification_of(directory.file()).good);
    std::vector<std::string> names;
    for (const auto& entry : std::filesystem::directory_iterator(directory.path()))
        names.push_back(entry.path().filename());
    EXPECT_THAT(names, testing::UnorderedElementsAre("bench.ledger", "bench.ledger.lock"));
}

TEST(Live, a_run_that_goes_on_has_the_length_of_its_samples) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    ASSERT_TRUE(writer->put(header_of(1)));
    ASSERT_TRUE(writer->put(RunStatus{.run = 1, .state = RunState::forming, .started_utc = 5, .started = {1'000'000}}));
    Feed feed(*writer, 1);
    ASSERT_TRUE(feed.put(61));
    ASSERT_TRUE(writer->flush());
    const auto lines = open_reader(directory.file())->runs();
    ASSERT_TRUE(lines && lines->size() == 1);
    EXPECT_EQ(lines->front().length, Duration{60'000'000});
    EXPECT_EQ(lines->front().state, RunState::forming);
}

TEST(Verify, finds_nothing_in_a_good_ledger_and_counts) {
    const Directory directory;
    make_ledger(directory.file());
    const Verification verified = verification_of(directory.file());
    EXPECT_TRUE(verified.good) << findings(verified);
    EXPECT_THAT(verified.findings, IsEmpty());
    EXPECT_EQ(verified.runs, 1U);
    EXPECT_EQ(verified.samples, 30U);
    EXPECT_EQ(verified.tape_inputs, 30U);
}

TEST(Verify, recognises_a_copy_that_lacks_its_log) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    ASSERT_TRUE(writer->put(header_of(1)));
    ASSERT_TRUE(writer->flush());
    std::filesystem::copy_file(directory.file(), directory.file("copy"));
    const Verification verified = verification_of(directory.file("copy"));
    EXPECT_FALSE(verified.good);
    EXPECT_THAT(verified.findings, ElementsAre(HasSubstr("(" + directory.file("copy") + "-wal) is not beside it")));
    EXPECT_EQ(verified.runs, 0U);
    // With its log beside it the copy is whole.
    std::filesystem::copy_file(directory.file() + "-wal", directory.file("copy-wal"));
    const Verification whole = verification_of(directory.file("copy"));
    EXPECT_TRUE(whole.good) << findings(whole);
    EXPECT_EQ(whole.runs, 1U);
}

struct Damage {
    const char* name;
    const char* sql;
    const char* finding;
};

class Damaged : public testing::TestWithParam<Damage> {};

TEST_P(Damaged, is_found_and_named) {
    const Directory directory;
    make_ledger(directory.file());
    PlainClient(directory.file()).run(GetParam().sql);
    const Verification verified = verification_of(directory.file());
    EXPECT_FALSE(verified.good);
    EXPECT_THAT(verified.findings, Contains(HasSubstr(GetParam().finding)));
}

INSTANTIATE_TEST_SUITE_P(
    Verify, Damaged,
    testing::Values(
        Damage{"a_chunk_is_gone", "DELETE FROM tape WHERE first_sequence = 13",
               "run 1: the tape goes on with input 16 after input 12; the ones between are missing"},
        Damage{"the_first_chunk_is_gone", "DELETE FROM tape WHERE first_sequence = 1",
               "goes on with input 4 after input 0"},
        Damage{"the_last_chunk_is_gone", "DELETE FROM tape WHERE first_sequence = 28",
               "its samples go on to input 30, its tape ends with input 27"},
        Damage{"the_last_chunk_is_gone_and_its_samples",
               "DELETE FROM tape WHERE first_sequence = 28; DELETE FROM sample WHERE sequence > 27",
               "its checkpoint is of input 30, its tape ends with input 27"},
        Damage{"all_of_the_tape_is_gone", "DELETE FROM tape; DELETE FROM sample; DELETE FROM checkpoint",
               "it is done and has no tape"},
        Damage{"a_chunk_is_garbled", "UPDATE tape SET bytes = x'0102030405060708' WHERE first_sequence = 4",
               "run 1, inputs 4 to 6: a chunk of the tape is damaged at byte"},
        Damage{"a_chunk_is_another_s",
               "UPDATE tape SET bytes = (SELECT bytes FROM tape WHERE first_sequence = 7) WHERE first_sequence = 4",
               "holds input 7 where 4 belongs"},
        Damage{"a_chunk_is_too_short_for_its_row", "UPDATE tape SET last_sequence = 5 WHERE first_sequence = 4",
               "ends with input 6"},
        Damage{"a_sample_was_edited", "UPDATE sample SET voltage_v = 3.9 WHERE sequence = 8",
               "sample 8 is not the one that its tape holds"},
        Damage{"a_sample_is_no_number_of_ours", "UPDATE sample SET voltage_v = 9e300 WHERE sequence = 8",
               "sample 8 of run 1"},
        Damage{"a_state_is_unknown", "UPDATE run SET state = 'flying'", "\"flying\", which slowfilm never writes"},
        Damage{"a_state_was_edited", "UPDATE run SET state = 'stopped'",
               "run 1: it is stopped, and an event tells that it was done"},
        Damage{"a_trip_was_made_up", "UPDATE run SET state = 'tripped'; DELETE FROM event WHERE number = 3",
               "run 1: it is tripped, and no event tells of a trip"},
        Damage{"an_event_is_gone", "DELETE FROM event WHERE number = 2",
               "event 2 is missing, though the events go on to 3"},
        Damage{"the_last_event_is_gone", "DELETE FROM event WHERE number = 3",
               "run 1: it is done, and no event tells that it was done"},
        Damage{"a_protocol_was_edited", "UPDATE run SET protocol_text = protocol_text || ' '",
               "run 1: its protocol's text is not the one whose SHA-256 is recorded beside it"},
        Damage{"traits_are_no_json", "UPDATE run SET traits = '{'", "run 1 has the traits"},
        Damage{"caps_lack_a_key", "UPDATE run SET caps = '{}'", "run 1 has the caps"},
        Damage{"a_run_is_gone", "DELETE FROM run", "belongs to a run that is not there"}),
    [](const auto& info) { return std::string(info.param.name); });

TEST(Verify, finds_pages_that_were_overwritten) {
    const Directory directory;
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        Feed feed(*writer, 1);
        ASSERT_TRUE(feed.put(2000));
    }
    const auto size = std::filesystem::file_size(directory.file());
    {
        std::fstream file(directory.file(), std::ios::in | std::ios::out | std::ios::binary);
        file.seekp(static_cast<std::streamoff>(size - size % 4096 - 8 * 4096));
        file << std::string(4096, '\xA5');
    }
    const auto reader = Reader::open(directory.file());
    ASSERT_TRUE(reader) << reader.error().message;
    const auto verified = (*reader)->verify();
    ASSERT_TRUE(verified) << verified.error().message;
    EXPECT_FALSE(verified->good);
    EXPECT_THAT(verified->findings, Contains(HasSubstr("the database is damaged")));
}

TEST(Verify, a_tape_with_a_gap_is_not_given_as_if_it_were_whole) {
    const Directory directory;
    make_ledger(directory.file());
    PlainClient(directory.file()).run("DELETE FROM tape WHERE first_sequence = 13");
    std::uint64_t last = 0;
    const auto read = open_reader(directory.file())->tape(1, 0, [&](const Input& input) {
        last = input.sequence;
        return true;
    });
    ASSERT_FALSE(read);
    EXPECT_EQ(read.error().failure, Failure::bad_data);
    EXPECT_THAT(read.error().message, HasSubstr("lacks the inputs 13 to 15"));
    EXPECT_EQ(last, 12U);
}

}  // namespace
}  // namespace slowfilm::ledger
