#include "daemon/results/summary.hpp"

#include "daemon/core/json.hpp"
#include "daemon/protocol/guard_table.hpp"
#include "runs.hpp"
#include "tests/property.hpp"

#include <boost/json/value.hpp>
#include <cmath>
#include <limits>

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <rapidcheck.h>

namespace slowfilm::results {
namespace {

namespace json = boost::json;
using ::testing::HasSubstr;
using testing::RunBuilder;
using ::testing::StartsWith;

json::value read_back(const Summary& summary) {
    const Result<json::value> parsed = parse_json(to_json_text(to_json(summary)));
    EXPECT_TRUE(parsed) << parsed.error().message;
    return *parsed;
}

// Every null says why: its key with _reason stands beside it, and no reason stands beside a value.
std::string unexplained(const json::value& value, const std::string& where = "") {
    if (const auto* array = value.if_array()) {
        for (const json::value& item : *array) {
            if (std::string found = unexplained(item, where + "[]"); !found.empty()) {
                return found;
            }
        }
    }
    if (const auto* object = value.if_object()) {
        for (const auto& [key, item] : *object) {
            const std::string name = where + "." + std::string{key};
            const json::value* reason = object->if_contains(std::string{key} + "_reason");
            if (item.is_null() != (reason != nullptr) || (reason != nullptr && reason->as_string().empty())) {
                return name;
            }
            if (std::string found = unexplained(item, name); !found.empty()) {
                return found;
            }
        }
    }
    return value.is_null() && where.ends_with("[]") ? where : "";
}

RunBuilder two_cycles(const std::string& accept = "first_cycle_efficiency = { min = \"80 %\" }") {
    RunBuilder builder{"pristine", accept};
    builder.visit("charge", 5.0, 0).visit("rest", 0, 0).visit("discharge", 0, 4.2, true);
    builder.visit("charge", 4.2, 0).visit("discharge", 0, 4.158, true);
    return builder;
}

ledger::GuardMargins::Row margin(std::string name, std::optional<double> closest) {
    ledger::GuardMargins::Row row;
    row.name = std::move(name);
    row.unit = "V";
    row.trip = 4.25;
    row.closest = closest;
    row.closest_second = closest ? std::optional{3600.0} : std::nullopt;
    row.written = true;
    return row;
}

TEST(SummaryJson, has_what_the_contract_says) {
    RunBuilder builder = two_cycles();
    builder.data().margins.rows.push_back(margin("over_voltage", 4.2004));
    const json::value value = read_back(summarise(builder.take()));
    EXPECT_EQ(value.at("kind"), "summary");
    EXPECT_EQ(value.at("slowfilm"), SLOWFILM_VERSION);
    EXPECT_EQ(value.at("run").to_number<int>(), 3);
    EXPECT_EQ(value.at("cell"), "P-07");
    EXPECT_EQ(value.at("channel"), "A1");
    EXPECT_EQ(value.at("protocol").at("title"), "two cycles by hand");
    EXPECT_EQ(value.at("state"), "done");
    EXPECT_EQ(value.at("duration_second").to_number<double>(), 5 * 3600.0);
    const json::value& step = value.at("steps").at(0);
    EXPECT_EQ(step.at("path"), "1");
    EXPECT_EQ(step.at("name"), "film");
    EXPECT_EQ(step.at("do"), "charge");
    EXPECT_EQ(step.at("started_second").to_number<double>(), 0.0);
    EXPECT_EQ(step.at("duration_second").to_number<double>(), 3600.0);
    EXPECT_EQ(step.at("charge_in_ah").to_number<double>(), 5.0);
    EXPECT_EQ(step.at("charge_out_ah").to_number<double>(), 0.0);
    EXPECT_EQ(step.at("energy_in_wh").to_number<double>(), 19.0);
    EXPECT_EQ(step.at("voltage_start_volt").to_number<double>(), 3.0);
    EXPECT_EQ(step.at("voltage_end_volt").to_number<double>(), 4.2);
    EXPECT_EQ(step.at("current_end_ampere").to_number<double>(), 0.25);
    EXPECT_EQ(step.at("temperature_max_celsius").to_number<double>(), 26.5);
    EXPECT_EQ(step.at("ended_by"), "voltage");
    const json::value& cycle = value.at("cycles").at(1);
    EXPECT_EQ(cycle.at("charge_ah").to_number<double>(), 4.2);
    EXPECT_DOUBLE_EQ(cycle.at("coulombic_efficiency").to_number<double>(), 0.99);
    EXPECT_DOUBLE_EQ(value.at("figures").at("first_cycle_efficiency").at("value").to_number<double>(), 0.84);
    EXPECT_EQ(value.at("figures").at("first_cycle_efficiency").at("unit"), "1");
    EXPECT_TRUE(value.at("figures").at("first_cycle_efficiency").at("uncertainty").is_null());
    EXPECT_EQ(value.at("figures").at("discharge_capacity").at("unit"), "Ah");
    const json::value& guard = value.at("guards").at(0);
    EXPECT_EQ(guard.at("name"), "over_voltage");
    EXPECT_EQ(guard.at("trip").to_number<double>(), 4.25);
    EXPECT_EQ(guard.at("closest").to_number<double>(), 4.2004);
    EXPECT_EQ(guard.at("closest_second").to_number<double>(), 3600.0);
    EXPECT_EQ(guard.at("written"), true);
    EXPECT_TRUE(value.at("trips").as_array().empty());
    EXPECT_TRUE(value.at("gaps").as_array().empty());
    EXPECT_EQ(value.at("verdict").at("grade"), "accept");
    EXPECT_EQ(unexplained(value), "");
}

TEST(SummaryJson, every_null_says_why) {
    RunBuilder builder{"formed"};
    builder.visit("rest", 0, 0);
    ledger::VisitRecord& visit = builder.data().visits[0];
    visit.voltage_start = visit.voltage_end = visit.current_end = visit.temperature_max = std::nullopt;
    builder.data().margins.rows.push_back(margin("over_voltage", std::nullopt));
    builder.data().status.state = RunState::planned;
    builder.data().status.started_utc = builder.data().status.ended_utc = std::nullopt;
    const json::value value = read_back(summarise(builder.take()));
    EXPECT_TRUE(value.at("started").is_null());
    EXPECT_TRUE(value.at("duration_second").is_null());
    EXPECT_TRUE(value.at("steps").at(0).at("voltage_start_volt").is_null());
    EXPECT_TRUE(value.at("guards").at(0).at("closest").is_null());
    EXPECT_EQ(unexplained(value), "");
}

TEST(Summary, bad_readings_that_were_ridden_out_are_counted_and_shown) {
    RunBuilder builder{"formed"};
    builder.visit("rest", 0, 0);
    EXPECT_TRUE(read_back(summarise(RunBuilder{builder}.take())).at("bad_readings").is_null()) << "no margins yet";
    builder.data().margins.rows.push_back(margin("not_plausible", 17.0));
    const Summary summary = summarise(builder.take());
    EXPECT_EQ(read_back(summary).at("bad_readings").to_number<double>(), 17.0);
    EXPECT_THAT(to_text(summary), HasSubstr("a bad reading that were ridden out: 17"));
}

TEST(SummaryJson, is_strict_whatever_the_record_holds) {
    test::holds([] {
        const auto odd =
            rc::gen::element(std::numeric_limits<double>::quiet_NaN(), std::numeric_limits<double>::infinity(),
                             -std::numeric_limits<double>::infinity(), 1e308, -0.0, 5e-324, 3.7);
        RunBuilder builder;
        builder.visit("charge", *odd, *odd).visit("discharge", *odd, *odd, *rc::gen::arbitrary<bool>());
        ledger::RunData& run = builder.data();
        run.visits[0].voltage_end = *odd;
        run.visits[1].net_at_start_ah = *odd;
        run.header.cell = *rc::gen::arbitrary<std::string>();
        run.header.protocol_title = *rc::gen::arbitrary<std::string>();
        run.visits[1].name = *rc::gen::arbitrary<std::string>();
        run.margins.rows.push_back(margin("over_voltage", *odd));
        const Summary summary = summarise(std::move(run));
        const Result<json::value> parsed = parse_json(to_json_text(to_json(summary)));
        RC_ASSERT(parsed.has_value());
        RC_ASSERT(unexplained(*parsed) == "");
        for (const char c : to_text(summary)) {
            RC_ASSERT(c == '\n' || static_cast<unsigned char>(c) >= 0x20);
        }
    });
}

TEST(SummaryJson, a_trip_names_guard_class_place_value_and_limit) {
    RunBuilder builder = two_cycles();
    ledger::RunData& run = builder.data();
    run.status.state = RunState::tripped;
    builder.event(EventKind::tripped, 1, 4'263'100'000, static_cast<std::uint8_t>(GuardId::over_voltage));
    run.events[0].event.limit = 4'250'000'000;
    run.events[0].event.step = 1;
    builder.event(EventKind::gap, 1, 90'000'000);
    const json::value value = read_back(summarise(builder.take()));
    const json::value& trip = value.at("trips").at(0);
    EXPECT_EQ(trip.at("guard"), "over_voltage");
    EXPECT_EQ(trip.at("class"), "cell");
    EXPECT_EQ(trip.at("path"), "2");
    EXPECT_EQ(trip.at("second").to_number<double>(), 3600.0);
    EXPECT_DOUBLE_EQ(trip.at("value").to_number<double>(), 4.2631);
    EXPECT_DOUBLE_EQ(trip.at("limit").to_number<double>(), 4.25);
    EXPECT_EQ(trip.at("unit"), "V");
    EXPECT_EQ(trip.at("text"), "what happened");
    EXPECT_EQ(trip.at("acknowledged"), false);
    EXPECT_EQ(value.at("gaps").at(0).at("duration_second").to_number<double>(), 90.0);
    EXPECT_EQ(value.at("verdict").at("grade"), "none");
}

TEST(SummaryText, begins_with_state_and_verdict) {
    EXPECT_THAT(to_text(summarise(two_cycles().take())), StartsWith("run 3  cell P-07  done  accept\n"));
    EXPECT_THAT(to_text(summarise(two_cycles("first_cycle_efficiency = { min = \"90 %\" }").take())),
                StartsWith("run 3  cell P-07  done  reject\n"));
    EXPECT_THAT(to_text(summarise(two_cycles("").take())), StartsWith("run 3  cell P-07  done  no verdict\n"));
}

TEST(SummaryText, a_state_other_than_done_comes_first_and_done_is_not_said) {
    const std::vector<std::pair<RunState, std::string>> states{
        {RunState::planned, "planned"}, {RunState::checking, "checking"}, {RunState::forming, "forming"},
        {RunState::resting, "resting"}, {RunState::asking, "asking"},     {RunState::paused, "paused"},
        {RunState::waiting, "waiting"}, {RunState::tripped, "tripped"},   {RunState::stopped, "stopped"}};
    for (const auto& [state, word] : states) {
        RunBuilder builder = two_cycles();
        builder.data().status.state = state;
        const Summary summary = summarise(builder.take());
        const std::string text = to_text(summary);
        EXPECT_THAT(text, StartsWith(word + ": run 3  cell P-07  no verdict\n"));
        EXPECT_EQ(text.find("done"), std::string::npos) << text;
        EXPECT_EQ(to_json(summary).at("state").as_string(), word);
    }
}

TEST(SummaryText, a_removed_run_needs_nothing_more_from_a_person) {
    RunBuilder builder = two_cycles();
    builder.data().status.state = RunState::tripped;
    builder.data().status.needs = "the cell is quarantined: take it off the channel, then remove";
    EXPECT_THAT(to_text(summarise(builder.data())), HasSubstr("needs a person"));
    builder.data().actions.push_back({.utc = 1, .run = 3, .channel = "A1", .verb = "remove", .detail = "", .who = ""});
    const Summary summary = summarise(builder.take());
    EXPECT_EQ(to_text(summary).find("needs a person"), std::string::npos);
    EXPECT_TRUE(to_json(summary).at("needs").is_null());
}

TEST(SummaryText, a_run_that_its_protocol_stopped_says_why) {
    RunBuilder builder = two_cycles();
    builder.data().status.state = RunState::stopped;
    EXPECT_EQ(summarise(builder.data()).verdict.reasons[0], "the run has not ended as written: it is stopped");
    builder.data().status.wait = WaitReason::overrun;
    EXPECT_THAT(to_text(summarise(builder.data())), HasSubstr("stopped, after a step reached its at_most"));
    builder.data().status.wait = WaitReason::already_so_twice;
    EXPECT_THAT(to_text(summarise(builder.data())), HasSubstr("already true twice running"));
    builder.data().status.wait = WaitReason::not_good_end;
    EXPECT_THAT(to_text(summarise(builder.data())), HasSubstr("stopped, after a step ended, but not by its good_end"));
    builder.data().status.wait = WaitReason::gap;
    EXPECT_THAT(to_text(summarise(builder.take())), HasSubstr("stopped, after nobody watched for a while"));
}

TEST(SummaryText, shows_steps_cycles_figures_guards_and_what_a_person_must_do) {
    RunBuilder builder = two_cycles();
    builder.data().margins.rows.push_back(margin("over_voltage", 4.2004));
    builder.data().status.needs = "confirm with the cell's ID";
    const std::string text = to_text(summarise(builder.take()));
    EXPECT_THAT(text, HasSubstr("needs a person: confirm with the cell's ID"));
    EXPECT_THAT(text, HasSubstr("5.0000"));
    EXPECT_THAT(text, HasSubstr("first_cycle_efficiency  0.8400"));
    EXPECT_THAT(text, HasSubstr("over_voltage"));
    EXPECT_THAT(text, HasSubstr("4.2004"));
    EXPECT_THAT(text, HasSubstr("lasted 5 h"));
    EXPECT_THAT(text, HasSubstr("verdict: accept"));
}

TEST(SummaryText, of_a_long_run_only_both_ends_are_listed) {
    RunBuilder builder;
    for (int i = 0; i < 500; ++i) {
        builder.visit("charge", 0.001 * i, 0);
    }
    const std::string text = to_text(summarise(builder.take()));
    EXPECT_THAT(text, HasSubstr("420 more"));
    EXPECT_THAT(text, HasSubstr("0.0590"));
    EXPECT_EQ(text.find("0.0600"), std::string::npos);
    EXPECT_THAT(text, HasSubstr("0.4800"));
    EXPECT_THAT(text, HasSubstr("0.4990"));
}

TEST(SummaryText, hostile_text_stays_one_line) {
    RunBuilder builder = two_cycles();
    builder.data().header.cell = "P\x1b[2J\nrun 9  cell X  done  accept";
    const std::string text = to_text(summarise(builder.take()));
    EXPECT_EQ(text.find('\x1b'), std::string::npos);
    EXPECT_EQ(text.find("\nrun 9"), std::string::npos);
}

}  // namespace
}  // namespace slowfilm::results
