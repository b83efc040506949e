// What must hold whatever the inputs are. RapidCheck prints the reproducing configuration of a failure.
#include "tests/daemon/engine/harness.hpp"
#include "tests/property.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

Protocol two_cycles() {
    Protocol p = base_protocol();
    p.limits.climb = {{.by = ChargeOrRatio{8_percent}, .above = 3000_mV}};
    Step up = charge_step(Rate{1, 10}, 4200_mV, 14_h);
    Step film = charge_step(Rate{1, 20}, 3000_mV, 6_h);
    film.on_overrun = protocol::OnOverrun::wait;
    p.steps = {film, rest_step(2_min), ask_step(72_h),
               repeat_step(2, {up, hold_step(4200_mV, Rate{1, 10}, Rate{1, 50}, 3_h), rest_step(1_min),
                               discharge_step(Rate{1, 10}, 2700_mV, 14_h)})};
    return p;
}

// Everything else that the language can say, in no order that a practitioner would choose.
Protocol every_step() {
    Protocol p = base_protocol();
    Step sweep = rest_step(1_min);
    sweep.kind = protocol::StepKind::ramp;
    sweep.ends = {};
    sweep.voltage_ramp = protocol::VoltageRamp{.to = 3000_mV, .rate = {86'400'000'000}};
    sweep.current = StepCurrent{Rate{1, 20}};
    sweep.at_most.time = 2_h;
    Step turn = sweep;
    turn.voltage_ramp.reset();
    turn.current_ramp =
        protocol::CurrentRamp{.from = CurrentOrRate{Current{-300'000'000}}, .to = 500_mA, .over = 3_min};
    turn.together = true;
    Step pulse = rest_step(1_min);
    pulse.kind = protocol::StepKind::pulse;
    pulse.ends = {};
    pulse.levels = {{.current = Rate{1, 10}, .span = 10_s}, {.current = StepCurrent{Rate{1, 5}, true}, .span = 4_s}};
    pulse.at_most.time = 5_min;
    Step settle = rest_step(20_min);
    settle.ends.settle = protocol::Settle{.below = {12'000'000}, .over = 2_min};
    settle.ends.temperature = protocol::TemperatureEnd{.min = 24_degC, .held = 5_min};
    settle.keep = protocol::Keep{.at = {1_min, 2_min}, .mean_of = 30_s};
    Step down = discharge_step(Rate{1, 10}, 2700_mV, 14_h);
    down.measures = true;
    Step share = charge_step(Rate{1, 10}, 4200_mV, 14_h);
    share.ends.amount = StepCharge{30_percent, true};
    share.good_end = protocol::GoodEnd::amount;
    share.on_overrun = protocol::OnOverrun::wait;
    share.only_if = protocol::OnlyIf{.figure = FigureId::discharge_capacity, .above = 1};
    Step repeat = repeat_step(5, {share, settle, down, pulse});
    repeat.ends.figure = protocol::FigureEnd{.below = 10_percent};
    p.steps = {sweep, repeat, turn, settle};
    return p;
}

template <class Q>
Reading<Q> any_reading(Time now, std::int64_t low, std::int64_t high) {
    // Late, early, repeated, bad and absent readings are all part of life.
    const auto offset = *rc::gen::weightedElement<std::int64_t>({{20, 0}, {1, -3'000'000}, {1, 2'000'000}, {1, -1}});
    const auto quality =
        *rc::gen::weightedElement<Quality>({{20, Quality::good}, {1, Quality::bad}, {1, Quality::absent}});
    const std::int64_t value = *rc::gen::inRange(low, high);
    return {Time{now.count + offset}, Q{quality == Quality::good ? value : 0}, quality};
}

// Voltages that wander where the steps' ends, limits and the sensors' windows are.
Sample any_sample(Time now) {
    Sample s;
    s.voltage = any_reading<Voltage>(now, -300'000'000, 4'400'000'000);
    s.current = any_reading<Current>(now, -1'300'000'000, 1'300'000'000);
    s.temperature = any_reading<Temperature>(now, 250'000, 340'000);
    s.mode = *rc::gen::element(StageMode::unknown, StageMode::open, StageMode::constant_current, StageMode::at_ceiling,
                               StageMode::at_floor, StageMode::constant_voltage);
    return s;
}

CommandKind any_command() {
    return *rc::gen::element(CommandKind::start, CommandKind::pause, CommandKind::resume, CommandKind::confirm,
                             CommandKind::acknowledge, CommandKind::stop);
}

InputBody any_body(const Run& run, Time now) {
    switch (*rc::gen::weightedElement<int>(
        {{30, 0}, {20, 1}, {4, 2}, {6, 3}, {1, 4}, {1, 5}, {1, 6}, {1, 7}, {2, 8}, {1, 9}, {2, 10}})) {
        case 0: return any_sample(now);
        case 1: return Tick{};
        case 2: return Command{any_command()};
        case 3: return Applied{run.demand};
        case 4: return ChannelFault{FaultKind::lost};
        case 5: return GroupTrip{2};
        case 6: return Gap{Time{now.count - *rc::gen::inRange<std::int64_t>(-10, 100'000'000)}};
        case 7: return RecordLost{};
        case 8: return TestGrant{};
        case 9: return Crossed{1};
        default: return Gathered{};
    }
}

// A sane reading of a cell somewhere in its window, so that random runs get past their first checks.
Sample sane_sample(const Run& run, Time now) {
    Sample s = any_sample(now);
    const bool pristine = !run.begun;
    s.voltage = {
        now,
        Voltage{*rc::gen::inRange<std::int64_t>(pristine ? 0 : 2'700'000'000, pristine ? 900'000'000 : 4'210'000'000)},
        Quality::good};
    Current flows;
    if (const auto* drive = std::get_if<DriveCurrent>(&run.applied)) {
        flows = drive->current;
    } else if (const auto* hold = std::get_if<HoldVoltage>(&run.applied)) {
        flows = hold->source_max / 12;
        s.voltage.value = hold->voltage;
    }
    s.current = {now, flows, Quality::good};
    s.temperature = {now, 25_degC, Quality::good};
    s.mode = is_open(run.applied) ? StageMode::open : StageMode::constant_current;
    return s;
}

struct Story {
    Plan plan =
        make_plan(*rc::gen::arbitrary<bool>() ? every_step() : two_cycles(), 5000_mAh, ideal_traits(), wide_caps())
            .value();
    Run run = new_run(plan, {});
    Time now{1'000'000};

    // The next input: mostly sane, so that the story gets somewhere, sometimes anything.
    Input next(int madness_percent) {
        now =
            now +
            Duration{*rc::gen::weightedElement<std::int64_t>({{10, 500'000}, {3, 1'000'000}, {1, 0}, {1, 2'900'000}})};
        const bool mad = *rc::gen::inRange(0, 100) < madness_percent;
        InputBody body;
        if (mad) {
            body = any_body(run, now);
        } else if (run.state == RunState::planned) {
            body = Command{CommandKind::start};
        } else if (run.state == RunState::waiting || run.state == RunState::paused) {
            body = Command{CommandKind::resume};
        } else if (run.state == RunState::asking) {
            body = Command{CommandKind::confirm};
        } else if (run.test.phase == TestPhase::wanted) {
            body = TestGrant{};
        } else if (run.gathering) {
            body = Gathered{};
        } else if (run.applied != run.demand || !run.applied_known) {
            body = Applied{run.demand};
        } else {
            body = sane_sample(run, now);
        }
        return {.sequence = run.sequence + 1, .time = now, .body = body};
    }
};

bool within_limits(const Plan& plan, const Demand& demand) {
    const auto trip = [&](GuardId id) { return plan.guards[static_cast<std::size_t>(id)].trip; };
    if (const auto* drive = std::get_if<DriveCurrent>(&demand)) {
        return magnitude(drive->current).count <= trip(GuardId::over_current) &&
               drive->ceiling.count < trip(GuardId::over_voltage) &&
               (drive->current.count > 0 ||
                drive->floor.count > plan.guards[static_cast<std::size_t>(GuardId::discharge_floor)].low);
    }
    if (const auto* hold = std::get_if<HoldVoltage>(&demand)) {
        return hold->voltage.count < trip(GuardId::over_voltage) &&
               hold->source_max.count <= trip(GuardId::over_current) &&
               hold->sink_max.count <= trip(GuardId::over_current) && hold->source_max.count >= 0 &&
               hold->sink_max.count >= 0;
    }
    return true;
}

__extension__ using Wide = __int128;

Wide half_femto(const ChargeCount& c) {
    return static_cast<Wide>(c.whole.count) * 2000 + c.rest;
}

TEST(Properties, no_demand_ever_leaves_the_limits_and_no_current_flows_unless_the_run_is_live) {
    slowfilm::test::holds([] {
        Story story;
        const int madness = *rc::gen::element(2, 10, 50, 100);
        for (int i = 0; i < 400; ++i) {
            const Decision d = advance(story.plan, story.run, story.next(madness));
            RC_ASSERT(within_limits(story.plan, d.demand));
            RC_ASSERT(d.demand == story.run.demand);
            if (!is_live(story.run.state)) {
                RC_ASSERT(is_open(d.demand));
            }
            if (story.run.state == RunState::resting) {
                RC_ASSERT(is_open(d.demand));
            }
            if (story.run.state == RunState::checking && !is_open(d.demand)) {
                // The connection's test, and nothing more: at most C/10.
                RC_ASSERT(story.run.test.phase == TestPhase::before || story.run.test.phase == TestPhase::driven);
                RC_ASSERT(magnitude(std::get<DriveCurrent>(d.demand).current) <= 500_mA);
            }
            RC_ASSERT(d.event_count < events_max);
        }
    });
}

TEST(Properties, charge_is_conserved_across_steps_cycles_and_pauses) {
    slowfilm::test::holds([] {
        Story story;
        ChargeCount in, out;
        for (int i = 0; i < 400; ++i) {
            const Decision d = advance(story.plan, story.run, story.next(8));
            for (const Event& event : d.all_events()) {
                if (event.kind == EventKind::step_ended) {
                    // One input can end two visits: the second was already so, or passed over.
                    const bool newest = event.visit == story.run.last_visit.visit;
                    const VisitTotals& ended = newest ? story.run.last_visit : story.run.visit_before_last;
                    in.whole += ended.charge_in.whole;
                    in.rest += ended.charge_in.rest;
                    out.whole += ended.charge_out.whole;
                    out.rest += ended.charge_out.rest;
                }
            }
            ChargeCount all_in = story.run.totals.charge_in;
            ChargeCount all_out = story.run.totals.charge_out;
            all_in.whole += in.whole;
            all_out.whole += out.whole;
            // In half femtocoulombs, nothing left over: the sums over the visits are the run's net charge.
            const Wide difference = half_femto(all_in) + in.rest - half_femto(all_out) - out.rest;
            RC_ASSERT((difference == half_femto(story.run.net)));
        }
    });
}

TEST(Properties, a_trip_is_absorbing_until_acknowledged_and_acknowledge_never_resumes) {
    slowfilm::test::holds([] {
        Story story;
        bool tripped = false;
        for (int i = 0; i < 400; ++i) {
            const Input input = story.next(25);
            const auto* command = std::get_if<Command>(&input.body);
            const bool acknowledges = command != nullptr && command->kind == CommandKind::acknowledge;
            const bool stops = command != nullptr && command->kind == CommandKind::stop;
            const bool of_cell = story.run.trip_class == TripClass::cell;
            const Decision d = advance(story.plan, story.run, input);
            if (tripped && !acknowledges && !stops) {
                RC_ASSERT(story.run.state == RunState::tripped);
            }
            if (tripped && of_cell) {
                RC_ASSERT(story.run.state == RunState::tripped);
            }
            if (tripped) {
                RC_ASSERT(is_open(d.demand));
            }
            tripped = story.run.state == RunState::tripped;
        }
    });
}

TEST(Properties, no_step_ends_on_a_sample_that_is_out_of_a_guards_limit) {
    slowfilm::test::holds([] {
        Story story;
        for (int i = 0; i < 400; ++i) {
            const Input input = story.next(15);
            const bool sample = std::holds_alternative<Sample>(input.body);
            const Decision d = advance(story.plan, story.run, input);
            for (const Event& event : d.all_events()) {
                const auto reason = static_cast<EndReason>(event.code);
                const bool an_end =
                    event.kind == EventKind::step_ended &&
                    (reason == EndReason::voltage || reason == EndReason::current || reason == EndReason::time ||
                     reason == EndReason::amount || reason == EndReason::net);
                if (an_end && sample) {
                    const auto& s = std::get<Sample>(input.body);
                    const auto limit = story.plan.guards[static_cast<std::size_t>(GuardId::over_voltage)].trip;
                    RC_ASSERT(!s.voltage.good() || s.voltage.value.count <= limit ||
                              s.voltage.time <= story.run.guards.voltage_fresh - 1_us);
                    RC_ASSERT(s.voltage.quality != Quality::bad && s.current.quality != Quality::bad);
                }
            }
        }
    });
}

TEST(Properties, serialise_and_restore_at_any_input_changes_nothing_after_it) {
    slowfilm::test::holds([] {
        Story story;
        const int cut = *rc::gen::inRange(0, 300);
        engine::Run twin;
        for (int i = 0; i < 300; ++i) {
            if (i == cut) {
                const auto restored = restore(serialise(story.run));
                RC_ASSERT(restored.has_value());
                twin = *restored;
            }
            const Input input = story.next(15);
            const Decision d = advance(story.plan, story.run, input);
            if (i >= cut) {
                const Decision e = advance(story.plan, twin, input);
                RC_ASSERT(d.demand == e.demand);
                RC_ASSERT(d.apply == e.apply && d.record_first == e.record_first && d.commit == e.commit);
                RC_ASSERT(d.keep == e.keep && d.trip_group == e.trip_group &&
                          std::ranges::equal(d.all_events(), e.all_events()));
                RC_ASSERT(serialise(story.run) == serialise(twin));
            }
        }
    });
}

TEST(Properties, inputs_out_of_order_are_faults_and_leave_no_current) {
    slowfilm::test::holds([] {
        Story story;
        for (int i = 0; i < 60; ++i) {
            (void)advance(story.plan, story.run, story.next(0));
        }
        Input input = story.next(0);
        if (*rc::gen::arbitrary<bool>()) {
            input.time = Time{story.run.now.count - *rc::gen::inRange<std::int64_t>(1, 1'000'000'000)};
        } else {
            input.sequence = *rc::gen::suchThat(rc::gen::arbitrary<std::uint64_t>(),
                                                [&](std::uint64_t n) { return n != story.run.sequence + 1; });
        }
        const Decision d = advance(story.plan, story.run, input);
        RC_ASSERT(d.event_count > 0);
        RC_ASSERT(d.events[0].kind == EventKind::bad_input);
        RC_ASSERT(is_open(d.demand));
    });
}

TEST(Serialise, a_cut_or_changed_state_is_refused_or_read_and_never_a_crash) {
    slowfilm::test::holds([] {
        Story story;
        for (int i = 0; i < 50; ++i) {
            (void)advance(story.plan, story.run, story.next(5));
        }
        std::string bytes = serialise(story.run);
        const std::size_t cut = *rc::gen::inRange<std::size_t>(0, bytes.size());
        RC_ASSERT(!restore(std::string_view{bytes}.substr(0, cut)).has_value());
        bytes[cut] = static_cast<char>(bytes[cut] ^ (1 << *rc::gen::inRange(0, 8)));
        (void)restore(bytes);
        RC_ASSERT(!restore(bytes + "x").has_value());
    });
}

TEST(Serialise, another_version_is_refused_never_guessed) {
    const Plan plan = make_plan(two_cycles(), 5000_mAh, ideal_traits(), wide_caps()).value();
    std::string bytes = serialise(new_run(plan, {}));
    ++bytes[0];
    const auto restored = restore(bytes);
    ASSERT_FALSE(restored.has_value());
    EXPECT_NE(restored.error().message.find("another version"), std::string::npos);
}

TEST(Charge, trapezoids_are_exact_and_nothing_is_rounded_away) {
    // A ramp from 1 A to 0 A in an hour is 0.5 Ah, whatever the steps are cut into (area of a triangle).
    slowfilm::test::holds([] {
        ChargeCount whole;
        const int cuts = *rc::gen::element(1, 2, 3, 7, 36, 100, 3600);
        std::int64_t before = 1'000'000'000;
        for (int i = 1; i <= cuts; ++i) {
            const std::int64_t next = 1'000'000'000 - 1'000'000'000LL * i / cuts;
            whole.add(Current{before}, Current{next},
                      Duration{3'600'000'000LL * i / cuts - 3'600'000'000LL * (i - 1) / cuts});
            before = next;
        }
        RC_ASSERT(std::abs(ampere_hours(whole.whole) - 0.5) < 1e-9);
    });
}

}  // namespace
}  // namespace slowfilm::engine::test
