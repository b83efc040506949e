// What is put into a ledger comes back out of it.
#include "daemon/ledger/batch.hpp"
#include "daemon/ledger/names.hpp"
#include "tests/daemon/ledger/ledger_samples.hpp"
#include "tests/daemon/ledger/plain_sqlite.hpp"

#include <cmath>
#include <limits>

#include <rapidcheck/gtest.h>

namespace slowfilm::ledger {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;

TEST(Ledger, a_run_s_header_comes_back_field_by_field) {
    const Directory directory;
    const RunHeader header = header_of(1);
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header));
        ASSERT_TRUE(writer->flush());
    }
    const auto data = open_reader(directory.file())->run(1);
    ASSERT_TRUE(data) << data.error().message;
    EXPECT_TRUE(same(data->header, header));
    EXPECT_EQ(data->status.state, RunState::planned);
    EXPECT_EQ(data->status.run, 1U);
    EXPECT_FALSE(data->status.started_utc);
}

TEST(Ledger, a_run_s_status_is_the_latest_that_was_put) {
    const Directory directory;
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        ASSERT_TRUE(
            writer->put(RunStatus{1, RunState::forming, WaitReason::none, "", 5'000'000, std::nullopt, {10}, {0}}));
        ASSERT_TRUE(writer->put(RunStatus{
            1, RunState::waiting, WaitReason::overrun, "look at cell-1", 5'000'000, 9'000'000, {10}, {4'000'010}}));
        ASSERT_TRUE(writer->flush());
    }
    const auto data = open_reader(directory.file())->run(1);
    ASSERT_TRUE(data) << data.error().message;
    EXPECT_EQ(data->status.state, RunState::waiting);
    EXPECT_EQ(data->status.wait, WaitReason::overrun);
    EXPECT_EQ(data->status.needs, "look at cell-1");
    EXPECT_EQ(data->status.started_utc, 5'000'000);
    EXPECT_EQ(data->status.ended_utc, 9'000'000);
    EXPECT_EQ(data->status.started, Time{10});
    EXPECT_EQ(data->status.ended, Time{4'000'010});
    const auto lines = open_reader(directory.file())->runs();
    ASSERT_TRUE(lines);
    ASSERT_EQ(lines->size(), 1U);
    EXPECT_EQ(lines->front().title, "three slow cycles");
    EXPECT_EQ(lines->front().channel, "A3");
    EXPECT_EQ(lines->front().length, Duration{4'000'000});
}

TEST(Ledger, visits_events_margins_and_actions_come_back_in_order) {
    const Directory directory;
    VisitRecord visit{.run = 1,
                      .visit = 4,
                      .path = "6.2",
                      .name = "tap",
                      .pass = "1.3",
                      .kind = "charge",
                      .cycle = 2,
                      .ends_cycle = true,
                      .started = {100},
                      .ended = {900},
                      .charge_in_ah = 0.1,
                      .charge_out_ah = 0.2,
                      .energy_in_wh = 0.3,
                      .energy_out_wh = 0.4,
                      .net_at_start_ah = -0.5,
                      .voltage_start = 3.1,
                      .voltage_end = std::nullopt,
                      .current_end = -0.25,
                      .temperature_max = 27.5,
                      .ended_by = "voltage"};
    const EventRecord first{
        1, 7, {EventKind::tripped, 9, 3, 4, {77}, 4'250'000'000, 4'200'000'000}, "tripped", "over-voltage", 55};
    const EventRecord second{
        1, 7, {EventKind::opened, 0, 3, 4, {78}, -1, std::numeric_limits<std::int64_t>::min()}, "opened", "open", 56};
    const GuardMargins older{1, {{"stale", "s", 1.0, 2.0, 3.0, true}, {"climb", "Ah", {}, {}, {}, false}}};
    const GuardMargins newer{1, {{"over-voltage", "V", 4.25, 4.2, std::nullopt, true}}};
    const OperatorAction action{99, 1, "A3", "acknowledge", "looked at it", "uid 1000 (kim)"};
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        for (const EventRecord& event : {first, second}) ASSERT_TRUE(writer->put(event));
        ASSERT_TRUE(writer->put(visit));
        visit.voltage_end = 4.2;  // a visit still running is put again when it ends
        ASSERT_TRUE(writer->put(visit));
        ASSERT_TRUE(writer->put(older));
        ASSERT_TRUE(writer->put(newer));
        ASSERT_TRUE(writer->put(action));
        ASSERT_TRUE(writer->put(OperatorAction{98, std::nullopt, "A4", "remove", "", "uid 0"}));
        const auto flushed = writer->flush();
        ASSERT_TRUE(flushed) << flushed.error().message;
    }
    const auto data = open_reader(directory.file())->run(1);
    ASSERT_TRUE(data) << data.error().message;
    ASSERT_EQ(data->visits.size(), 1U);
    const VisitRecord& v = data->visits.front();
    EXPECT_EQ(std::tie(v.run, v.visit, v.path, v.name, v.pass, v.kind, v.cycle, v.ends_cycle, v.started, v.ended),
              std::tie(visit.run, visit.visit, visit.path, visit.name, visit.pass, visit.kind, visit.cycle,
                       visit.ends_cycle, visit.started, visit.ended));
    EXPECT_EQ(std::tie(v.charge_in_ah, v.charge_out_ah, v.energy_in_wh, v.energy_out_wh, v.net_at_start_ah,
                       v.voltage_start, v.voltage_end, v.current_end, v.temperature_max, v.ended_by),
              std::tie(visit.charge_in_ah, visit.charge_out_ah, visit.energy_in_wh, visit.energy_out_wh,
                       visit.net_at_start_ah, visit.voltage_start, visit.voltage_end, visit.current_end,
                       visit.temperature_max, visit.ended_by));
    ASSERT_EQ(data->events.size(), 2U);
    EXPECT_EQ(data->events[0].event, first.event);
    EXPECT_EQ(data->events[1].event, second.event);
    EXPECT_EQ(data->events[0].sequence, 7U);
    EXPECT_EQ(data->events[0].kind, "tripped");
    EXPECT_EQ(data->events[0].text, "over-voltage");
    EXPECT_EQ(data->events[1].utc, 56);
    ASSERT_EQ(data->margins.rows.size(), 1U);
    EXPECT_EQ(data->margins.rows[0].name, "over-voltage");
    EXPECT_EQ(data->margins.rows[0].trip, 4.25);
    EXPECT_EQ(data->margins.rows[0].closest_second, std::nullopt);
    EXPECT_TRUE(data->margins.rows[0].written);
    ASSERT_EQ(data->actions.size(), 1U);
    EXPECT_EQ(data->actions[0].who, "uid 1000 (kim)");
    EXPECT_EQ(data->actions[0].run, RunNumber{1});
    EXPECT_EQ(data->actions[0].detail, "looked at it");
}

TEST(Ledger, every_word_is_its_own_and_leads_back) {
    const auto check = []<class E>(E last) {
        for (int n = 0; n <= static_cast<int>(last); ++n) {
            const auto value = static_cast<E>(n);
            EXPECT_FALSE(word_of(value).empty()) << n;
            EXPECT_EQ(from_word<E>(word_of(value)), value) << word_of(value);
        }
        EXPECT_EQ(from_word<E>("no such word"), std::nullopt);
        EXPECT_EQ(from_word<E>(""), std::nullopt);
    };
    check(RunState::done);
    check(WaitReason::already_so_twice);
    check(EventKind::bad_input);
    check(CellState::formed);
    check(OffState::sinks);
    check(TemperatureOf::none);
}

// Columns are SI doubles; the same whole numbers must come back, in every quality, within the physical range.
TEST(Ledger, samples_come_back_as_the_same_whole_numbers) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    const auto reader = open_reader(directory.file());
    const auto reading = []<class Q>(Q, std::int64_t low, std::int64_t high) {
        Reading<Q> r;
        r.quality = *rc::gen::element(Quality::absent, Quality::bad, Quality::good);
        if (r.quality == Quality::good)
            r.value = {*rc::gen::inRange<std::int64_t>(low, high + 1)};
        if (r.quality != Quality::absent)
            r.time = {*rc::gen::inRange<std::int64_t>(0, 10'000'000'000'000)};
        return r;
    };
    EXPECT_TRUE(rc::check([&] {
        const RunNumber run = writer->next_run();
        RC_ASSERT(writer->put(header_of(run)));
        std::vector<SampleRecord> put;
        for (std::uint64_t sequence = 1; sequence <= 20; ++sequence) {
            const std::int64_t v = voltage_plausible_max.count, i = current_plausible_max.count;
            SampleRecord r = kept(run, {sequence, {*rc::gen::inRange<std::int64_t>(0, 10'000'000'000'000)}, Sample{}});
            r.sample.voltage = reading(Voltage{}, -v, v);
            r.sample.terminals = reading(Voltage{}, -v, v);
            r.sample.current = reading(Current{}, -i, i);
            r.sample.temperature =
                reading(Temperature{}, temperature_plausible_min.count, temperature_plausible_max.count);
            r.sample.ambient = reading(Temperature{}, temperature_plausible_min.count, temperature_plausible_max.count);
            r.sample.mode = static_cast<StageMode>(*rc::gen::inRange(0, 6));
            r.sample.raw_hash = *rc::gen::arbitrary<std::uint32_t>();
            put.push_back(r);
            RC_ASSERT(writer->put(r));
        }
        RC_ASSERT(writer->flush().has_value());
        std::size_t next = 0;
        const auto read = reader->samples(run, [&](const SampleRecord& r) {
            RC_ASSERT(same(r, put[next]));
            ++next;
            return true;
        });
        RC_ASSERT(read.has_value());
        RC_ASSERT(next == put.size());
    }));
}

TEST(Ledger, a_voltage_stands_in_its_column_as_a_person_writes_it) {
    const Directory directory;
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        Sample sample;
        sample.voltage = {{5}, {4'200'000'000}, Quality::good};
        sample.current = {{5}, {-350'000'000}, Quality::good};
        sample.temperature = {{5}, {318'150}, Quality::good};
        sample.ambient = {{5}, {}, Quality::bad};
        ASSERT_TRUE(writer->put(kept(1, {1, {7}, sample})));
        ASSERT_TRUE(writer->flush());
    }
    EXPECT_THAT(
        plain_rows(directory.file(),
                   "SELECT voltage_v, voltage_quality, voltage_age_us, current_a, temperature_degc, ambient_degc, "
                   "ambient_quality, terminals_v, terminals_quality, terminals_age_us FROM sample"),
        ElementsAre("4.2|2|2|-0.35|45.0|NULL|1|NULL|0|NULL"));
}

TEST(Ledger, no_column_ever_holds_a_nan_or_an_infinity_and_their_rows_are_kept) {
    const Directory directory;
    const double nan = std::numeric_limits<double>::quiet_NaN();
    const double infinity = std::numeric_limits<double>::infinity();
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        SampleRecord sample = kept(1, {1, {7}, Sample{}});
        sample.charge_in_ah = nan;
        sample.charge_out_ah = infinity;
        sample.energy_in_wh = -infinity;
        ASSERT_TRUE(writer->put(sample));
        VisitRecord visit;
        visit.run = 1;
        visit.net_at_start_ah = nan;
        visit.voltage_end = infinity;
        ASSERT_TRUE(writer->put(visit));
        ASSERT_TRUE(writer->put(GuardMargins{1, {{"stale", "s", nan, infinity, 1.0, false}}}));
        ASSERT_TRUE(writer->put(kept(1, {2, {8}, Sample{}})));
        const auto flushed = writer->flush();
        ASSERT_TRUE(flushed) << flushed.error().message;
        EXPECT_EQ(writer->health().samples, 2U);
    }
    EXPECT_THAT(
        plain_rows(directory.file(), "SELECT charge_in_ah, charge_out_ah, energy_in_wh, energy_out_wh FROM sample"),
        ElementsAre("NULL|NULL|NULL|0.25", "0.125|0.0625|0.5|0.25"));
    const auto data = open_reader(directory.file())->run(1);
    ASSERT_TRUE(data) << data.error().message;
    EXPECT_TRUE(std::isnan(data->visits.at(0).net_at_start_ah));
    EXPECT_EQ(data->visits.at(0).voltage_end, std::nullopt);
    EXPECT_EQ(data->margins.rows.at(0).trip, std::nullopt);
    EXPECT_EQ(data->margins.rows.at(0).closest, std::nullopt);
}

TEST(Ledger, the_tape_comes_back_whole_and_from_any_place) {
    const Directory directory;
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        Feed feed(*writer, 1);
        for (int chunk = 0; chunk < 600; ++chunk) ASSERT_TRUE(feed.put(1 + chunk % 3));  // more than one read's chunks
        ASSERT_EQ(feed.sequence(), 1200U);
        ASSERT_TRUE(writer->flush());
    }
    const auto reader = open_reader(directory.file());
    for (const std::uint64_t after : {0U, 1U, 2U, 599U, 1198U, 1199U, 1200U, 5000U}) {
        std::uint64_t next = after + 1;
        const auto read = reader->tape(1, after, [&](const Input& input) {
            EXPECT_EQ(input.sequence, next++);
            EXPECT_EQ(input.time.count, static_cast<std::int64_t>(input.sequence) * 1'000'000);
            return true;
        });
        ASSERT_TRUE(read) << read.error().message;
        EXPECT_EQ(next, std::max<std::uint64_t>(after, 1200) + 1) << "after " << after;
    }
    int seen = 0;
    ASSERT_TRUE(reader->tape(1, 0, [&](const Input&) { return ++seen < 5; }));
    EXPECT_EQ(seen, 5);
    seen = 0;
    ASSERT_TRUE(reader->samples(1, [&](const SampleRecord&) { return ++seen < 7; }));
    EXPECT_EQ(seen, 7);
}

TEST(Ledger, samples_of_more_than_one_read_come_in_order_and_once) {
    const Directory directory;
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        ASSERT_TRUE(writer->put(header_of(2)));
        Feed one(*writer, 1);
        Feed two(*writer, 2);
        for (int i = 0; i < 10; ++i) {
            ASSERT_TRUE(one.put(1000));
            ASSERT_TRUE(two.put(3));
        }
        ASSERT_TRUE(writer->flush());
    }
    std::uint64_t next = 1;
    ASSERT_TRUE(open_reader(directory.file())->samples(1, [&](const SampleRecord& r) { return r.sequence == next++; }));
    EXPECT_EQ(next, 10'001U);
}

TEST(Ledger, keeps_the_latest_checkpoint_and_never_an_older_one) {
    const Directory directory;
    const std::string state("\0state\xFF", 7);
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        ASSERT_TRUE(writer->put(Checkpoint{1, 10, "older"}));
        ASSERT_TRUE(writer->put(Checkpoint{1, 20, state}));
        ASSERT_TRUE(writer->put(Checkpoint{1, 15, "late"}));
        ASSERT_TRUE(writer->put(header_of(2)));
        ASSERT_TRUE(writer->flush());
    }
    const auto reader = open_reader(directory.file());
    const auto found = reader->last_checkpoint(1);
    ASSERT_TRUE(found && *found);
    EXPECT_EQ((*found)->sequence, 20U);
    EXPECT_EQ((*found)->state, state);
    const auto none = reader->last_checkpoint(2);
    ASSERT_TRUE(none);
    EXPECT_FALSE(*none);
}

TEST(Ledger, a_claim_gives_way_to_another_until_current_has_flowed) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    CellRecord cell{"pouch-0042", {.furthest = CellState::formed, .first_leg_over = true}, "", 1};
    const auto found = [&] {
        EXPECT_TRUE(writer->put(cell));
        EXPECT_TRUE(writer->flush());
        return open_reader(directory.file())->cell("pouch-0042").value().value().history;
    };
    EXPECT_FALSE(found().known);
    cell.history = {.furthest = CellState::pristine};
    EXPECT_EQ(found().furthest, CellState::pristine) << "nothing had flowed";
    EXPECT_FALSE(found().first_leg_over);
    cell.history = {.furthest = CellState::tapped, .known = true};
    EXPECT_TRUE(found().known);
    cell.history = {.furthest = CellState::pristine};
    EXPECT_EQ(found().furthest, CellState::tapped) << "what is known is never claimed away";
    EXPECT_TRUE(found().known);
}

TEST(Ledger, a_cell_s_furthest_state_arming_and_quarantine_never_go_back) {
    using namespace literals;
    const Directory directory;
    CellRecord cell;
    cell.id = "pouch-0042";
    cell.history = {.furthest = CellState::formed,
                    .known = true,
                    .armed = true,
                    .quarantined = true,
                    .first_leg_over = true,
                    .leg = 5_mAh,
                    .leg_unseen = 3_mAh,
                    .net = 10_mAh,
                    .net_unseen = 4_mAh,
                    .highest = 4200_mV,
                    .low_since = Time{7}};
    cell.quarantine = "over-temperature in run 3";
    cell.updated_utc = 50;
    CellRecord forgetful;
    forgetful.id = cell.id;
    forgetful.history.leg = 1_mAh;
    forgetful.history.leg_unseen = 6_mAh;
    forgetful.history.net = 2_mAh;
    forgetful.history.net_unseen = 8_mAh;
    forgetful.history.low_since = Time{9};
    forgetful.history.highest = 3000_mV;
    forgetful.updated_utc = 60;
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(cell));
        ASSERT_TRUE(writer->flush());
        ASSERT_TRUE(writer->put(forgetful));
        ASSERT_TRUE(writer->put(CellRecord{"another", {}, "", 1}));
        ASSERT_TRUE(writer->flush());
    }
    const auto reader = open_reader(directory.file());
    const auto found = reader->cell("pouch-0042");
    ASSERT_TRUE(found && *found);
    const CellHistory& history = (*found)->history;
    EXPECT_EQ(history.furthest, CellState::formed);
    EXPECT_TRUE(history.known);
    EXPECT_TRUE(history.armed);
    EXPECT_TRUE(history.quarantined);
    EXPECT_TRUE(history.first_leg_over);
    EXPECT_EQ(history.highest, 4200_mV);
    EXPECT_EQ(history.leg, 1_mAh);  // counts are the newer ones
    EXPECT_EQ(history.net, 2_mAh);
    EXPECT_EQ(history.leg_unseen, 6_mAh);
    EXPECT_EQ(history.net_unseen, 8_mAh);
    EXPECT_EQ(history.low_since, Time{9});
    EXPECT_EQ((*found)->quarantine, "over-temperature in run 3");
    EXPECT_EQ((*found)->updated_utc, 60);
    const auto all = reader->cells();
    ASSERT_TRUE(all);
    ASSERT_EQ(all->size(), 2U);
    EXPECT_EQ(all->front().id, "another");
    const auto unknown = reader->cell("nobody");
    ASSERT_TRUE(unknown);
    EXPECT_FALSE(*unknown);
}

TEST(Ledger, gives_back_marks_moves_hand_readings_and_latches_as_they_were_put) {
    using namespace literals;
    const Directory directory;
    MarkRecord mark{.run = 1,
                    .visit = 4,
                    .path = "3",
                    .of_run = false,
                    .at = 24_h,
                    .time = {90'000'000'123},
                    .mean = 4.1000125,
                    .deviation = 0.0001,
                    .temperature = 25.125,
                    .readings = 60};
    MoveRecord move;
    move.run = 1;
    move.after = 17;
    move.from = "A3";
    move.to = "B1";
    move.traits = header_of(2).traits;
    move.caps = header_of(2).caps;
    move.utc = 70;
    const HandReading filled{"cell-1", "filled", {}, "", "2026-11-24T18:00:00.000Z", {}, "", 71, "uid 7"};
    const HandReading mass{"new-1", "mass", 68.31, "g", "68.31 g", 1, "2", 72, "uid 7"};
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        ASSERT_TRUE(writer->put(CellRecord{"cell-1", {}, "", 1}));
        ASSERT_TRUE(writer->put(mark));
        ASSERT_TRUE(writer->put(move));
        move.to = "B2";
        ASSERT_TRUE(writer->put(move));
        ASSERT_TRUE(writer->put(filled));
        ASSERT_TRUE(writer->put(mass));
        for (const ChannelLatch& latch : {ChannelLatch{"A3", "stuck", 5}, {"B1", "heat", 6}, {"A3", "", 7}}) {
            ASSERT_TRUE(writer->put(latch));
        }
        ASSERT_TRUE(writer->flush());
    }
    const auto reader = open_reader(directory.file());
    const auto run = reader->run(1);
    ASSERT_TRUE(run) << run.error().message;
    EXPECT_EQ(run->header.channel, "B2") << "where it is now";
    ASSERT_EQ(run->marks.size(), 1U);
    EXPECT_EQ(run->marks[0].at, mark.at);
    EXPECT_EQ(run->marks[0].time, mark.time);
    EXPECT_EQ(run->marks[0].mean, mark.mean);
    EXPECT_EQ(run->marks[0].temperature, mark.temperature);
    EXPECT_EQ(run->marks[0].readings, 60U);
    ASSERT_EQ(run->moves.size(), 2U);
    EXPECT_EQ(run->moves[0].to, "B1");
    EXPECT_EQ(run->moves[0].after, 17U);
    EXPECT_EQ(run->moves[0].traits, header_of(2).traits);
    EXPECT_EQ(run->moves[1].to, "B2");
    ASSERT_EQ(run->entered.size(), 1U);
    EXPECT_EQ(run->entered[0].name, "mass");
    EXPECT_EQ(run->entered[0].value, 68.31);
    EXPECT_EQ(run->entered[0].path, "2");
    const auto known = reader->cell("new-1");
    ASSERT_TRUE(known && *known);
    EXPECT_FALSE((*known)->history.known) << "a reading is no history";
    const auto readings = reader->hand_readings("cell-1");
    ASSERT_TRUE(readings);
    ASSERT_EQ(readings->size(), 1U);
    EXPECT_FALSE(readings->front().value);
    EXPECT_EQ(readings->front().text, filled.text);
    const auto latches = reader->latches();
    ASSERT_TRUE(latches);
    ASSERT_EQ(latches->size(), 1U);
    EXPECT_EQ(latches->front().channel, "B1");
}

TEST(Ledger, the_measured_capacity_of_a_cell_stands_until_another_is_measured) {
    using namespace literals;
    const Directory directory;
    CellRecord cell;
    cell.id = "pouch-0042";
    cell.history.measured = 4800_mAh;
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(cell));
        cell.history.measured = {};
        ASSERT_TRUE(writer->put(cell));
        ASSERT_TRUE(writer->flush());
        EXPECT_EQ((*open_reader(directory.file())->cell("pouch-0042"))->history.measured, 4800_mAh);
        cell.history.measured = 4700_mAh;
        ASSERT_TRUE(writer->put(cell));
        ASSERT_TRUE(writer->flush());
    }
    EXPECT_EQ((*open_reader(directory.file())->cell("pouch-0042"))->history.measured, 4700_mAh);
}

TEST(Ledger, whatever_is_put_of_a_cell_only_ever_adds_to_its_history) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    const auto reader = open_reader(directory.file());
    int cells = 0;
    EXPECT_TRUE(rc::check([&] {
        const std::string id = "cell-" + std::to_string(++cells);
        CellHistory before;
        for (int n = 0; n < 4; ++n) {
            CellRecord cell;
            cell.id = id;
            cell.history.furthest = static_cast<CellState>(*rc::gen::inRange(0, 3));
            cell.history.known = *rc::gen::arbitrary<bool>();
            cell.history.armed = *rc::gen::arbitrary<bool>();
            cell.history.quarantined = *rc::gen::arbitrary<bool>();
            cell.history.first_leg_over = *rc::gen::arbitrary<bool>();
            cell.history.highest = {*rc::gen::inRange<std::int64_t>(0, 5'000'000'000)};
            RC_ASSERT(writer->put(cell));
            RC_ASSERT(writer->flush().has_value());
            const auto found = reader->cell(id);
            RC_ASSERT(found.has_value() && found->has_value());
            const CellHistory& after = (*found)->history;
            // Until current has flowed it is a claim, and the newer one stands.
            const CellHistory known = before.known ? before : CellHistory{};
            RC_ASSERT(after.known == (known.known || cell.history.known));
            RC_ASSERT(after.furthest == std::max(known.furthest, cell.history.furthest));
            RC_ASSERT(after.armed == (known.armed || cell.history.armed));
            RC_ASSERT(after.quarantined == (before.quarantined || cell.history.quarantined));
            RC_ASSERT(after.first_leg_over == (known.first_leg_over || cell.history.first_leg_over));
            RC_ASSERT(after.highest == std::max(before.highest, cell.history.highest));
            before = after;
        }
    }));
}

TEST(Ledger, run_numbers_go_on_after_reopening) {
    const Directory directory;
    {
        const auto writer = open_writer(directory.file());
        EXPECT_EQ(writer->next_run(), 1U);
        EXPECT_EQ(writer->next_run(), 2U);
        ASSERT_TRUE(writer->put(header_of(2)));
    }  // closing commits
    const auto writer = open_writer(directory.file());
    EXPECT_EQ(writer->next_run(), 3U);
}

TEST(Ledger, a_run_that_is_not_there_is_refused_naming_those_that_are) {
    const Directory directory;
    const auto writer = open_writer(directory.file());
    const auto reader = open_reader(directory.file());
    const auto none = reader->run(7);
    ASSERT_FALSE(none);
    EXPECT_EQ(none.error().failure, Failure::no_input);
    EXPECT_THAT(none.error().message, HasSubstr("no run 7 in"));
    EXPECT_THAT(none.error().message, HasSubstr("it has no runs yet"));
    ASSERT_TRUE(writer->put(header_of(1)));
    ASSERT_TRUE(writer->put(header_of(3)));
    ASSERT_TRUE(writer->flush());
    EXPECT_THAT(reader->run(7).error().message, HasSubstr("its latest runs are 3, 1"));
    EXPECT_EQ(reader->samples(7, [](const SampleRecord&) { return true; }).error().failure, Failure::no_input);
    EXPECT_EQ(reader->tape(7, 0, [](const Input&) { return true; }).error().failure, Failure::no_input);
    EXPECT_EQ(reader->last_checkpoint(7).error().failure, Failure::no_input);
}

}  // namespace
}  // namespace slowfilm::ledger
