// Every way a run can be interrupted leaves a ledger that verifies and replays.
#include "daemon/bench/replay.hpp"
#include "tests/daemon/bench/world.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sqlite3.h>

namespace slowfilm::bench {
namespace {

using testing::HasSubstr;
using testing::IsEmpty;

std::vector<std::string> findings_of(const std::string& path) {
    const auto reader = ledger::Reader::open(path);
    if (!reader) {
        return {reader.error().message};
    }
    const auto verified = (*reader)->verify();
    return verified ? verified->findings : std::vector<std::string>{verified.error().message};
}

std::string difference_of_run(const std::string& path, ledger::RunNumber run) {
    const auto reader = ledger::Reader::open(path);
    if (!reader) {
        return reader.error().message;
    }
    const Result<ReplayReport> report = replay(**reader, run);
    return report ? report->difference : report.error().message;
}

// The last words of a world: closed, its ledger verified, every run replayed.
void expect_good(World& world, ledger::RunNumber runs) {
    const std::string ledger = world.options().config.ledger;
    world.close();
    EXPECT_THAT(findings_of(ledger), IsEmpty());
    for (ledger::RunNumber run = 1; run <= runs; ++run) {
        EXPECT_EQ(difference_of_run(ledger, run), "");
    }
}

TEST(Verify, a_ledger_is_good_after_a_stop_in_the_middle_of_a_step) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    world.ask("stop", {{"channels", boost::json::array{"a1"}}});
    expect_good(world, 1);
}

TEST(Verify, a_ledger_is_good_after_a_confirm) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "asking");
    world.ask("confirm", {{"channel", "a1"}, {"cell", "C-1"}});
    world.until_state("a1", "done");
    expect_good(world, 1);
}

TEST(Verify, a_ledger_is_good_after_a_cell_trip_and_the_trip_of_its_group) {
    // Slow enough that the second cell is under way when the first gets hot.
    World world(2, [](BenchOptions& options) { options.time_scale = 1000.0; });
    world.let_a_cell_heat();
    ASSERT_TRUE(world.start("a2", "C-good"));
    ASSERT_TRUE(world.start("a1", "C-hot", unattended_protocol()));
    world.until([&] {
        const boost::json::value trip = world.channel("a1").at("trip");
        return trip.is_object() && trip.at("class").as_string() == "cell";
    });
    EXPECT_EQ(world.state("a2"), "tripped");
    EXPECT_THAT(std::string(world.channel("a1").at("needs").as_string()), HasSubstr("the cell is quarantined"));
    world.ask("acknowledge", {{"channel", "a1"}, {"reason", "it was hot"}});
    EXPECT_THAT(std::string(world.channel("a1").at("needs").as_string()), HasSubstr("acknowledged"));
    EXPECT_THAT(world.refusal(Failure::bad_data, "acknowledge", {{"channel", "a1"}, {"reason", "it was hot"}}),
                HasSubstr("acknowledged already"));
    expect_good(world, 2);
}

TEST(Verify, a_ledger_is_good_after_a_restart_in_the_middle_of_a_step) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    world.close();
    world.open();
    ASSERT_EQ(world.state("a1"), "waiting");
    world.ask("stop", {{"channels", boost::json::array{"a1"}}});
    expect_good(world, 1);
}

// A ledger with one finished run, for changing.
class Changed : public testing::Test {
  protected:
    void SetUp() override {
        ASSERT_TRUE(world_.start("a1", "C-1", unattended_protocol()));
        world_.until_state("a1", "done");
        path_ = world_.options().config.ledger;
        world_.close();
        ASSERT_THAT(findings_of(path_), IsEmpty());
        ASSERT_EQ(difference_of_run(path_, 1), "");
    }
    void change(const std::string& sql) const {
        sqlite3* handle = nullptr;
        ASSERT_EQ(sqlite3_open(path_.c_str(), &handle), SQLITE_OK);
        EXPECT_EQ(sqlite3_exec(handle, sql.c_str(), nullptr, nullptr, nullptr), SQLITE_OK) << sqlite3_errmsg(handle);
        EXPECT_GT(sqlite3_changes(handle), 0) << sql;
        sqlite3_close(handle);
    }
    World world_{1};
    std::string path_;
};

TEST_F(Changed, a_changed_visit_total_is_found_by_replay) {
    change("UPDATE visit SET charge_in_ah = charge_in_ah + 0.001 WHERE visit = 1");
    EXPECT_EQ(difference_of_run(path_, 1), "the charge in of visit 1 of step 2 is not the one recorded");
}

TEST_F(Changed, a_missing_visit_is_found_by_replay) {
    change("DELETE FROM visit WHERE visit = (SELECT max(visit) FROM visit)");
    EXPECT_THAT(difference_of_run(path_, 1), HasSubstr("which is not recorded"));
}

TEST_F(Changed, a_deleted_event_is_found_by_both) {
    change("DELETE FROM event WHERE number = 3");
    EXPECT_THAT(findings_of(path_).at(0), HasSubstr("event 3 is missing, though the events go on to "));
    EXPECT_NE(difference_of_run(path_, 1), "");
}

TEST_F(Changed, a_changed_state_is_found_by_both) {
    for (const char* state : {"stopped", "forming", "tripped"}) {
        change("UPDATE run SET state = '" + std::string(state) + "'");
        EXPECT_THAT(findings_of(path_).at(0), HasSubstr("run 1: it is " + std::string(state) + ", and "));
        EXPECT_EQ(difference_of_run(path_, 1), "the replay ends done, the record says " + std::string(state));
    }
}

TEST_F(Changed, a_changed_protocol_is_found_by_both) {
    change("UPDATE run SET protocol_text = protocol_text || '# a word'");
    EXPECT_THAT(findings_of(path_).at(0), HasSubstr("SHA-256"));
    EXPECT_THAT(difference_of_run(path_, 1), HasSubstr("SHA-256"));
}

}  // namespace
}  // namespace slowfilm::bench
