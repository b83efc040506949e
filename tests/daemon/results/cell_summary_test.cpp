#include "daemon/results/cell_summary.hpp"

#include "daemon/ledger/writer.hpp"
#include "runs.hpp"

#include <cstdlib>
#include <filesystem>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::results {
namespace {

using ::testing::HasSubstr;
using testing::RunBuilder;

class Book : public ::testing::Test {
  protected:
    void SetUp() override {
        std::string pattern = std::filesystem::temp_directory_path() / "slowfilm-cell-XXXXXX";
        folder_ = ::mkdtemp(pattern.data());
        auto opened = ledger::Writer::open({.path = folder_ + "/b.ledger"});
        ASSERT_TRUE(opened) << opened.error().message;
        writer_ = std::move(*opened);
    }
    void TearDown() override {
        writer_.reset();
        std::filesystem::remove_all(folder_);
    }
    void put(ledger::Record record) { ASSERT_TRUE(writer_->put(std::move(record))); }
    void put(ledger::RunData run, bool rehearsal = false) {
        const ledger::RunNumber number = writer_->next_run();
        run.header.run = run.status.run = number;
        run.header.rehearsal = rehearsal;
        put(run.header);
        put(run.status);
        for (ledger::VisitRecord& visit : run.visits) {
            visit.run = number;
            put(visit);
        }
        for (ledger::OperatorAction& action : run.actions) {
            action.run = number;
            put(action);
        }
    }
    Result<CellSummary> summary(std::string_view id) {
        EXPECT_TRUE(writer_->flush());
        const auto reader = ledger::Reader::open(folder_ + "/b.ledger");
        EXPECT_TRUE(reader);
        return summarise_cell(**reader, id);
    }

    std::string folder_;
    std::unique_ptr<ledger::Writer> writer_;
};

ledger::RunData first_cycle(double in, double out) {
    return RunBuilder{}.visit("charge", in, 0).visit("discharge", 0, out, true).take();
}

TEST_F(Book, a_run_is_compared_with_the_finished_runs_of_its_protocol_and_with_no_other) {
    const auto run = [](double out) {
        return RunBuilder{"pristine", "discharge_capacity = { within_mad = 4, cycle = 1 }"}
            .visit("charge", 5.0, 0)
            .visit("discharge", 0, out, true)
            .take();
    };
    put(ledger::CellRecord{.id = "P-07", .history = {}});
    for (const double out : {4.2, 4.21, 4.22, 4.23}) {
        put(run(out));
    }
    put(run(3.0), true);  // a rehearsal
    ledger::RunData other = run(3.0);
    other.header.protocol_sha256 = std::string(64, 'b');
    put(std::move(other));
    ledger::RunData stopped = run(3.0);
    stopped.status.state = RunState::stopped;
    put(std::move(stopped));
    auto four = summary("P-07");
    ASSERT_TRUE(four) << four.error().message;
    EXPECT_EQ(four->runs[0].verdict.grade, "undecided");
    put(run(4.0));
    auto five = summary("P-07");
    ASSERT_TRUE(five) << five.error().message;
    EXPECT_EQ(five->runs[0].verdict.grade, "accept");
    EXPECT_EQ(five->runs.back().verdict.grade, "reject") << five->runs.back().verdict.reasons[0];
}

TEST_F(Book, a_cell_is_its_runs_its_readings_and_its_notes) {
    ledger::CellRecord cell;
    cell.id = "P-07";
    cell.history.furthest = CellState::formed;
    cell.history.known = true;
    cell.history.net_unseen = Charge{43'200'000'000'000};
    cell.history.measured = Charge{17'280'000'000'000'000};
    put(cell);
    put(ledger::HandReading{"P-07", "mass", 68.31, "g", "68.31 g", {}, "", 1'772'000'000'000'000, "uid 7"});
    put(ledger::HandReading{"P-07", "lot", {}, "", "2026-46", {}, "", 1'772'000'000'000'000, "uid 7"});
    put(ledger::HandReading{"P-07", "lot", {}, "", "2026-47", {}, "", 1'772'000'000'000'001, "uid 7"});
    ledger::RunData run = first_cycle(5.0, 4.2);
    run.actions.push_back({1'772'000'000'000'000, 1, "A1", "note", "swollen", "uid 7"});
    put(std::move(run));
    put(first_cycle(4.9, 4.6));
    put(first_cycle(9.0, 1.0), true);  // a model's
    const auto found = summary("P-07");
    ASSERT_TRUE(found) << found.error().message;
    ASSERT_EQ(found->runs.size(), 2U);
    const auto object = to_json(*found);
    EXPECT_EQ(object.at("kind").as_string(), "cell");
    EXPECT_EQ(object.at("lot").as_string(), "2026-47") << "the latest stands";
    EXPECT_EQ(object.at("filled").as_string(), "");
    EXPECT_EQ(object.at("entered").as_array().size(), 3U);
    EXPECT_DOUBLE_EQ(object.at("history").at("measured_charge_ah").to_number<double>(), 4.8);
    // The first cycle is the first run's, the capacity the last one's.
    EXPECT_DOUBLE_EQ(object.at("figures").at("first_cycle_efficiency").at("value").to_number<double>(), 0.84);
    EXPECT_EQ(object.at("figures").at("first_cycle_efficiency").at("run").to_number<int>(), 1);
    EXPECT_DOUBLE_EQ(object.at("figures").at("discharge_capacity").at("value").to_number<double>(), 4.6);
    EXPECT_EQ(object.at("figures").at("discharge_capacity").at("run").to_number<int>(), 2);
    EXPECT_TRUE(object.at("figures").at("k_value").at("value").is_null());
    EXPECT_EQ(object.at("notes").at(0).at("text").as_string(), "swollen");
    EXPECT_EQ(object.at("notes").at(0).at("run").to_number<int>(), 1);
    const std::string text = to_text(*found);
    for (const char* said : {"cell P-07", "formed", "0.0120 Ah more may have flowed unseen", "mass 68.31 g", "swollen",
                             "0.8400  (run 1)", "4.6000 Ah  (run 2)"}) {
        EXPECT_THAT(text, HasSubstr(said));
    }
}

TEST_F(Book, a_quarantine_and_its_end_both_stand) {
    ledger::CellRecord cell;
    cell.id = "P-07";
    cell.history.quarantined = true;
    cell.quarantine = "over_voltage: 4.3 V";
    put(cell);
    EXPECT_THAT(to_text(*summary("P-07")), HasSubstr("quarantined: over_voltage: 4.3 V"));
    put(ledger::QuarantineLifted{"P-07", cell.quarantine, "the meter was off", "uid 7", 1'772'000'000'000'000});
    const auto lifted = summary("P-07");
    ASSERT_TRUE(lifted);
    EXPECT_FALSE(lifted->cell.history.quarantined);
    EXPECT_THAT(to_text(*lifted), HasSubstr("quarantine lifted: the meter was off; it was for: over_voltage"));
    cell.history.quarantined = true;
    cell.quarantine = "over_temperature";
    put(cell);
    EXPECT_EQ(summary("P-07")->cell.quarantine, "over_temperature") << "a new one has its own reason";
}

TEST_F(Book, a_cell_that_nobody_knows_is_no_input) {
    const auto none = summary("P-08");
    ASSERT_FALSE(none);
    EXPECT_EQ(none.error().failure, Failure::no_input);
    EXPECT_THAT(none.error().message, HasSubstr("'P-08'"));
}

TEST(Facts, time_waiting_for_people_is_kept_apart) {
    RunBuilder builder;
    builder.visit("charge", 1, 0).visit("ask", 0, 0).visit("rest", 0, 0);
    builder.event(EventKind::asking, 1).event(EventKind::waiting, 2).event(EventKind::resumed, 3);
    const Summary summary = summarise(builder.take());
    // From the question in hour 1 to the resumption in hour 3.
    EXPECT_DOUBLE_EQ(to_json(summary).at("waiting_second").to_number<double>(), 7200.0);
    EXPECT_THAT(to_text(summary), HasSubstr("of it 2 h"));
}

}  // namespace
}  // namespace slowfilm::results
