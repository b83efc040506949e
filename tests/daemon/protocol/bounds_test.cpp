#include "daemon/protocol/bounds.hpp"

#include "daemon/core/json.hpp"

#include <rapidcheck/gtest.h>

namespace slowfilm::protocol {
namespace {

using namespace literals;
using ::testing::HasSubstr;

constexpr Charge rated = 2000_mAh;

Step of_kind(StepKind kind) {
    Step step;
    step.kind = kind;
    return step;
}

Step charge(Rate rate, Duration at_most) {
    Step step = of_kind(StepKind::charge);
    step.current = rate;
    step.ends.voltage = 4200_mV;
    step.at_most.time = at_most;
    return step;
}

Step discharge(Rate rate, Duration at_most) {
    Step step = charge(rate, at_most);
    step.kind = StepKind::discharge;
    step.ends.voltage = 2800_mV;
    return step;
}

Step rest(Duration time) {
    Step step = of_kind(StepKind::rest);
    step.ends.time = time;
    return step;
}

Step repeat(std::uint32_t times, std::vector<Step> steps) {
    Step step = of_kind(StepKind::repeat);
    step.times = times;
    step.steps = std::move(steps);
    return step;
}

Protocol protocol_of(std::vector<Step> steps) {
    Protocol protocol;
    protocol.cell.capacity = rated;
    protocol.cell.window_min = 2800_mV;
    protocol.cell.window_max = 4200_mV;
    protocol.limits.voltage_max.trip = 4240_mV;
    protocol.limits.current_max.trip = 1100_mA;
    protocol.limits.temperature_max.trip = 50_degC;
    protocol.limits.charge_temperature.min = 10_degC;
    protocol.limits.charge_temperature.max = 45_degC;
    protocol.steps = std::move(steps);
    return protocol;
}

Bounds of(std::vector<Step> steps) {
    return bounds(protocol_of(std::move(steps)), rated);
}

TEST(Bounds, of_one_charge_are_its_caps) {
    const Bounds b = of({charge({1, 10}, 9_h)});
    EXPECT_EQ(b.run_time, 9_h);
    EXPECT_EQ(b.charge_leg, 1800_mAh);  // 200 mA for 9 h
    EXPECT_EQ(b.discharge_leg, Charge{});
    EXPECT_EQ(b.charge_current, 200_mA);
    EXPECT_EQ(b.discharge_current, Current{});
    EXPECT_EQ(b.voltage_highest, 4200_mV);
    EXPECT_EQ(b.voltage_lowest, std::nullopt);
    EXPECT_EQ(b.visits, 1U);
}

TEST(Bounds, a_step_ends_by_its_time_or_its_cap_whichever_is_first) {
    Step by_time = charge({1, 10}, 9_h);
    by_time.ends.time = 2_h;
    EXPECT_EQ(of({by_time}).run_time, 2_h);
    EXPECT_EQ(of({by_time}).charge_leg, 400_mAh);
}

TEST(Bounds, a_step_without_time_has_none) {
    Step endless = charge({1, 10}, 9_h);
    endless.at_most.time.reset();
    const Bounds b = of({endless});
    EXPECT_EQ(b.run_time, unbounded<Duration>);
    EXPECT_EQ(b.charge_leg, 2500_mAh);  // the guard's default, 125 % of rated, holds still
}

TEST(Bounds, amounts_cap_the_charge) {
    Step by_amount = charge({1, 10}, 9_h);
    by_amount.ends.amount = 30_percent;
    EXPECT_EQ(of({by_amount}).charge_leg, 600_mAh);
    Step capped = charge({1, 10}, 9_h);
    capped.at_most.amount = Charge{500_mAh};
    EXPECT_EQ(of({capped}).charge_leg, 500_mAh);
}

TEST(Bounds, a_net_end_caps_the_charge_from_the_lowest_that_the_steps_before_can_leave) {
    Step to_net = charge({1, 10}, 14_h);
    to_net.ends.net = 35_percent;
    EXPECT_EQ(of({to_net}).charge_leg, 700_mAh);
    // After a discharge of at most 200 mA x 1 h the way is 200 mAh longer.
    Step before = discharge({1, 10}, 1_h);
    EXPECT_EQ(of({before, to_net}).charge_leg, 900_mAh);
    Step down = discharge({1, 10}, 14_h);
    down.ends.net = 20_percent;
    EXPECT_EQ(of({to_net, down}).discharge_leg, 300_mAh);
}

TEST(Bounds, a_net_end_in_a_repeat_reckons_with_all_passes) {
    Step to_net = charge({1, 10}, 14_h);
    to_net.ends.net = 10_percent;
    // Three passes may take out 3 x 200 mAh before the last charge to 200 mAh net: 800 mAh at most in one of them, and
    // the legs are not told apart by arithmetic, so three times that; the guard's 110 % and 125 % hold.
    const Bounds b = of({repeat(3, {to_net, discharge({1, 10}, 1_h)})});
    EXPECT_EQ(b.charge_leg, 2400_mAh);
    EXPECT_EQ(b.discharge_leg, 200_mAh);
}

TEST(Bounds, of_a_run_with_everything_by_hand) {
    Step hold = of_kind(StepKind::hold);
    hold.voltage = 4200_mV;
    hold.current = Rate{1, 10};
    hold.ends.current = Rate{1, 50};
    hold.at_most.time = 3_h;
    Step ask = of_kind(StepKind::ask);
    ask.at_most.time = 48_h;
    const Bounds b = of({
        charge({1, 50}, 1_h),                                                            // 1 h
        rest(12_h),                                                                      // 12 h
        ask,                                                                             // apart
        repeat(2, {charge({1, 10}, 14_h), hold, rest(10_min), discharge({1, 5}, 7_h)}),  // 2 x (14 + 3 + 1/6 + 7) h
    });
    EXPECT_EQ(b.run_time, 13_h + (24_h + 10_min) * 2);
    EXPECT_EQ(b.ask_time, 48_h);
    EXPECT_EQ(b.visits, 4U + 2 * 4);
    EXPECT_EQ(b.charge_leg, 2500_mAh);     // steps could move 40 + 2 x (2800 + 600) mAh, so the guard's 125 % stands
    EXPECT_EQ(b.discharge_leg, 2800_mAh);  // 400 mA for 7 h; a charge stands before the next
    EXPECT_EQ(b.charge_current, 200_mA);
    EXPECT_EQ(b.discharge_current, 400_mA);
    EXPECT_EQ(b.voltage_highest, 4200_mV);
    EXPECT_EQ(b.voltage_lowest, 2800_mV);
    EXPECT_EQ(b.ceiling_highest, 4210_mV);  // window.max + 10 mV, below voltage_max - 10 mV
    EXPECT_EQ(b.floor_lowest, 2710_mV);     // discharge_floor by default 2.7 V, + 10 mV
}

TEST(Bounds, discharges_in_a_row_are_one_leg_across_rests_and_passes) {
    EXPECT_EQ(of({discharge({1, 10}, 1_h), rest(1_h), discharge({1, 10}, 2_h)}).discharge_leg, 600_mAh);
    EXPECT_EQ(of({repeat(4, {discharge({1, 10}, 1_h)})}).discharge_leg, 800_mAh);
    // Across the seam of two passes: 2 h at the end and 1 h at the beginning.
    EXPECT_EQ(of({repeat(2, {discharge({1, 10}, 1_h), charge({1, 10}, 1_h), discharge({1, 10}, 2_h)})}).discharge_leg,
              600_mAh);
    EXPECT_EQ(of({repeat(1, {discharge({1, 10}, 1_h), charge({1, 10}, 1_h), discharge({1, 10}, 2_h)})}).discharge_leg,
              400_mAh);
}

TEST(Bounds, a_hold_in_either_direction_counts_both_ways) {
    Step hold = of_kind(StepKind::hold);
    hold.voltage = 3700_mV;
    hold.direction = Direction::either;
    hold.current = Rate{1, 10};
    hold.ends.time = 1_h;
    hold.at_most.time = 2_h;
    const Bounds b = of({discharge({1, 10}, 1_h), hold, discharge({1, 10}, 1_h)});
    EXPECT_EQ(b.charge_leg, 200_mAh);
    EXPECT_EQ(b.discharge_leg, 600_mAh);
    EXPECT_EQ(b.voltage_highest, 3700_mV);
    EXPECT_EQ(b.voltage_lowest, 2800_mV);
    EXPECT_EQ(b.ceiling_highest, 3700_mV);  // no constant current charges, so there is no ceiling beside the set point
}

TEST(Bounds, where_no_voltage_ends_a_step_it_is_the_window) {
    Step up = charge({1, 10}, 3_h);
    up.ends = {};
    up.ends.amount = 10_percent;
    Step down = discharge({1, 10}, 3_h);
    down.ends = {};
    down.ends.amount = 10_percent;
    const Bounds b = of({up, down});
    EXPECT_EQ(b.voltage_highest, 4200_mV);
    EXPECT_EQ(b.voltage_lowest, 2800_mV);
}

TEST(Bounds, a_cap_on_a_repeat_bounds_its_time) {
    Step capped = repeat(10, {rest(5_h)});
    capped.at_most.time = 20_h;
    EXPECT_EQ(of({capped}).run_time, 20_h);
    EXPECT_EQ(of({capped}).visits, 11U);
}

TEST(Bounds, a_million_long_passes_saturate) {
    const Bounds b =
        of({repeat(4'000'000'000U, {repeat(4'000'000'000U, {rest(36'525_h * 24), discharge({1, 1}, 36'525_h)})})});
    EXPECT_EQ(b.run_time, unbounded<Duration>);
    EXPECT_EQ(b.discharge_leg, unbounded<Charge>);
    EXPECT_EQ(b.visits, std::numeric_limits<std::uint64_t>::max());
}

TEST(Bounds, text_names_each_and_never_prints_a_bound_smaller_than_it_is) {
    const Bounds b = of({charge({1, 7}, 1_h), discharge({1, 5}, 7_h)});
    EXPECT_EQ(b.charge_leg.count, 1'028'571'429'600'000);  // 285.714286 mA for 1 h, in pC: 285.714286 mAh
    const std::string text = bounds_text(b);
    EXPECT_THAT(text, HasSubstr("This protocol can never exceed, whatever the cell does:\n"));
    EXPECT_THAT(text, HasSubstr("run time             8 h"));
    EXPECT_THAT(text, HasSubstr("charge in one leg    285.715 mAh\n"));
    EXPECT_THAT(text, HasSubstr("highest voltage      4.2 V, the stage's own ceiling at most 4.21 V\n"));
    EXPECT_THAT(text, HasSubstr("lowest voltage       2.8 V, the stage's own floor at least 2.71 V\n"));
    EXPECT_THAT(bounds_text(of({rest(1_h)})), HasSubstr("no step asks for any"));
}

TEST(Bounds, json_has_units_in_its_keys_and_reasons_beside_nulls) {
    const std::string whole = to_json_text(bounds_json(of({charge({1, 10}, 9_h), discharge({1, 10}, 5_h)})));
    EXPECT_EQ(
        whole,
        R"({"run_duration_second":50400,"ask_duration_second":0,"charge_leg_ah":1.8,"discharge_leg_ah":1,)"
        R"("charge_current_ampere":0.2,"discharge_current_ampere":0.2,"connection_check_current_ampere":0.04,"highest_voltage_volt":4.2,)"
        R"("highest_ceiling_voltage_volt":4.21,"lowest_voltage_volt":2.8,"lowest_floor_voltage_volt":2.71,"visits":2})");
    Step endless = charge({1, 10}, 9_h);
    endless.at_most.time.reset();
    const boost::json::object open = bounds_json(of({endless}));
    EXPECT_TRUE(open.at("run_duration_second").is_null());
    EXPECT_TRUE(open.at("lowest_voltage_volt").is_null());
    EXPECT_EQ(open.at("reasons").at("lowest_voltage_volt"), "no step discharges");
    EXPECT_EQ(open.at("reasons").as_object().size(), 3U);
}

TEST(ShortestRun, counts_only_what_ends_by_time_alone) {
    Step either = rest(5_h);
    either.ends.amount = 10_percent;
    EXPECT_EQ(shortest_run(protocol_of({charge({1, 10}, 9_h), rest(1_h), either, repeat(3, {rest(2_h)})})), 7_h);
}

// safety.md's numbers, written out: window 2.8..4.2 V, 2 Ah.
TEST(Defaults, fill_every_guard_that_does_not_depend_on_the_channel) {
    const Limits l = with_defaults(protocol_of({rest(10_h)}));
    EXPECT_EQ(l.low_voltage.trip, 2300_mV);
    EXPECT_EQ(l.armed_above, 3100_mV);
    EXPECT_EQ(l.discharge_floor.trip, 2700_mV);
    EXPECT_EQ(l.temperature_min.trip, Temperature{263'150});
    EXPECT_EQ(l.discharge_temperature.min, Temperature{263'150});
    EXPECT_EQ(l.discharge_temperature.max, 50_degC);
    EXPECT_EQ(l.temperature_rise.trip, TemperatureSlope{120'000});
    EXPECT_EQ(l.temperature_rise.persistence, 60_s);
    EXPECT_EQ(l.charge_leg_first, ChargeOrRatio{125_percent});
    EXPECT_EQ(l.charge_leg_later, ChargeOrRatio{110_percent});
    EXPECT_EQ(l.net_max, ChargeOrRatio{125_percent});
    EXPECT_EQ(l.run_time_max, 11_h);
    EXPECT_EQ(l.hold_error.trip, std::nullopt);  // the channel's accuracy gives it
    EXPECT_EQ(l.hold_error.persistence, 10_s);
    EXPECT_FALSE(l.low_voltage.written);
}

TEST(Defaults, leave_what_is_written_and_what_is_off) {
    Protocol p = protocol_of({rest(10_h)});
    p.limits.low_voltage.trip = 2000_mV;
    p.limits.low_voltage.persistence = 1_s;
    p.limits.temperature_rise.off = true;
    p.limits.temperature_min.warn = 5_degC;
    p.limits.charge_leg_first = Charge{2200_mAh};
    p.limits.run_time_max = 3_h;
    const Limits l = with_defaults(p);
    EXPECT_EQ(l.low_voltage.trip, 2000_mV);
    EXPECT_EQ(l.low_voltage.persistence, 1_s);
    EXPECT_EQ(l.temperature_rise.trip, std::nullopt);
    EXPECT_EQ(l.temperature_min.trip, std::nullopt);  // a soft guard that only warns goes on only warning
    EXPECT_EQ(l.charge_leg_first, ChargeOrRatio{Charge{2200_mAh}});
    EXPECT_EQ(l.run_time_max, 3_h);
}

// Anything a Step can hold, sensible or not, up to the largest counts.
std::int64_t any_count() {
    constexpr std::int64_t most = std::numeric_limits<std::int64_t>::max();
    return *rc::gen::oneOf(rc::gen::inRange<std::int64_t>(0, 1'000'000), rc::gen::inRange<std::int64_t>(0, most),
                           rc::gen::elementOf(std::vector<std::int64_t>{most, most - 1, most / 2}));
}

template <class Q>
std::optional<Q> maybe() {
    return *rc::gen::arbitrary<bool>() ? std::optional{Q{any_count()}} : std::nullopt;
}

std::optional<ChargeOrRatio> maybe_charge() {
    if (*rc::gen::arbitrary<bool>()) {
        return std::nullopt;
    }
    return *rc::gen::arbitrary<bool>() ? ChargeOrRatio{Charge{any_count()}} : ChargeOrRatio{Ratio{any_count()}};
}

Step any_step(int depth) {
    Step step;
    step.kind = *rc::gen::element(StepKind::charge, StepKind::discharge, StepKind::hold, StepKind::rest, StepKind::ask,
                                  depth > 0 ? StepKind::repeat : StepKind::rest);
    step.current = *rc::gen::arbitrary<bool>()
                       ? CurrentOrRate{Current{any_count()}}
                       : CurrentOrRate{Rate{any_count(), std::max<std::int64_t>(any_count(), 1)}};
    step.voltage = maybe<Voltage>();
    step.direction = *rc::gen::element(Direction::charge, Direction::discharge, Direction::either);
    step.ends.voltage = maybe<Voltage>();
    step.ends.time = maybe<Duration>();
    step.ends.amount = maybe_charge();
    step.ends.net = maybe_charge();
    step.at_most.time = maybe<Duration>();
    step.at_most.amount = maybe_charge();
    if (step.kind == StepKind::repeat) {
        step.times = *rc::gen::inRange<std::uint32_t>(1, std::numeric_limits<std::uint32_t>::max());
        const int count = *rc::gen::inRange(0, 4);
        for (int i = 0; i < count; ++i) {
            step.steps.push_back(any_step(depth - 1));
        }
    }
    return step;
}

Protocol any_protocol() {
    std::vector<Step> steps;
    const int count = *rc::gen::inRange(1, 6);
    for (int i = 0; i < count; ++i) {
        steps.push_back(any_step(3));
    }
    Protocol protocol = protocol_of(std::move(steps));
    protocol.cell.capacity = Charge{any_count()};
    return protocol;
}

// A time or an amount somewhere in the steps grows, as far as it can.
void grow_one(std::vector<Step>& steps) {
    Step* step = &steps[*rc::gen::inRange<std::size_t>(0, steps.size())];
    while (!step->steps.empty() && *rc::gen::arbitrary<bool>()) {
        step = &step->steps[*rc::gen::inRange<std::size_t>(0, step->steps.size())];
    }
    const auto grown = [](std::int64_t count) {
        const std::int64_t more = any_count();
        const std::int64_t room = std::numeric_limits<std::int64_t>::max() - count;
        return count + std::min(more, room);
    };
    if (step->at_most.time) {
        step->at_most.time = Duration{grown(step->at_most.time->count)};
    }
    if (step->at_most.amount) {
        step->at_most.amount =
            std::visit([&](auto value) -> ChargeOrRatio { return decltype(value){grown(value.count)}; },
                       step->at_most.amount->value);
    }
}

RC_GTEST_PROP(Bounds, never_overflow_whatever_the_steps_are, ()) {
    const Protocol protocol = any_protocol();
    const Bounds b = bounds(protocol, protocol.cell.capacity);
    RC_ASSERT(b.run_time >= Duration{});
    RC_ASSERT(b.ask_time >= Duration{});
    RC_ASSERT(b.charge_leg >= Charge{});
    RC_ASSERT(b.discharge_leg >= Charge{});
    RC_ASSERT(b.charge_current >= Current{});
    RC_ASSERT(b.discharge_current >= Current{});
    RC_ASSERT(b.visits >= protocol.steps.size());
    RC_ASSERT(!bounds_text(b).empty());
    const Limits filled = with_defaults(protocol);
    RC_ASSERT(*filled.run_time_max >= b.run_time);
}

RC_GTEST_PROP(Bounds, never_shrink_when_a_cap_grows, ()) {
    Protocol protocol = any_protocol();
    const Bounds before = bounds(protocol, protocol.cell.capacity);
    grow_one(protocol.steps);
    const Bounds after = bounds(protocol, protocol.cell.capacity);
    RC_ASSERT(after.run_time >= before.run_time);
    RC_ASSERT(after.ask_time >= before.ask_time);
    RC_ASSERT(after.charge_leg >= before.charge_leg);
    RC_ASSERT(after.discharge_leg >= before.discharge_leg);
    RC_ASSERT(after.visits == before.visits);
}

RC_GTEST_PROP(Bounds, of_a_repeat_are_those_of_its_passes_written_out, ()) {
    // Without net, whose bound in a repeat is rougher; so few and short that nothing saturates.
    const auto small = [] {
        Step step = *rc::gen::element(0, 1, 2) == 0 ? rest(Duration{*rc::gen::inRange<std::int64_t>(1, 36'000'000'000)})
                    : *rc::gen::arbitrary<bool>()
                        ? charge({1, *rc::gen::inRange<std::int64_t>(1, 50)},
                                 Duration{*rc::gen::inRange<std::int64_t>(1, 36'000'000'000)})
                        : discharge({1, *rc::gen::inRange<std::int64_t>(1, 50)},
                                    Duration{*rc::gen::inRange<std::int64_t>(1, 36'000'000'000)});
        return step;
    };
    std::vector<Step> pass;
    const int count = *rc::gen::inRange(1, 5);
    for (int i = 0; i < count; ++i) {
        pass.push_back(small());
    }
    const auto times = *rc::gen::inRange<std::uint32_t>(1, 6);
    std::vector<Step> written_out;
    for (std::uint32_t i = 0; i < times; ++i) {
        written_out.insert(written_out.end(), pass.begin(), pass.end());
    }
    Bounds repeated = of({repeat(times, pass)});
    Bounds flat = of(written_out);
    RC_ASSERT(repeated.visits == flat.visits + 1);
    repeated.visits = flat.visits;
    RC_ASSERT(repeated == flat);
}

}  // namespace
}  // namespace slowfilm::protocol
