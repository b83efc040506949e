// What the temperature tells: limits, windows while current flows, a cell that warms by itself, a thermometer that
// stands still.
#include "daemon/engine/guards_judge.hpp"

namespace slowfilm::engine {

namespace {

using namespace literals;

constexpr Duration slope_span = 60_s;
constexpr Duration slope_spacing = 5_s;
constexpr std::uint8_t slope_updates_min = 3;
constexpr Duration still_warming_after = 10_min;
constexpr std::int64_t colder_than_ambient = -2'000;  // mK: beyond it the cell is warmed by its surroundings
constexpr std::int64_t cools_each_minute = 200;       // mK: what a cell does at least once its chamber is set colder
constexpr std::int64_t cools_in_minutes = 30;         // or by this part of what it is too warm each minute
// No cell is warmed or cooled so fast (mK, mK/s) by anything that its absolute limits do not see at once.
constexpr std::int64_t leap = 5'000;
constexpr std::int64_t leap_each_second = 500;

// A leap, or a silence, is between two readings: what was before it is no start of a rise.
bool starts_anew(const SlopeWindow& window, Duration since, TemperatureDifference rise, Duration longest) {
    const std::int64_t step = magnitude(rise - window.rise[window.newest]).count;
    const bool leapt = step > leap && step > since.count * leap_each_second / (1_s).count;
    return leapt || since > longest + slope_spacing;
}

// mK/h that the last minute and the minute before it both rose by at least; 0 until there are two. A step of the
// thermometer, a clip that was put on anew, a digit of 1 K: each is in one of them at a time. What heats itself is in
// both.
std::int64_t slope_of(SlopeWindow& window, Time at, TemperatureDifference reading, Duration longest) {
    constexpr auto size = static_cast<std::uint8_t>(SlopeWindow::size);
    const TemperatureDifference rise = window.median.take(reading);
    const Duration since = at - window.at[window.newest];
    if (window.filled > 0 && starts_anew(window, since, rise, longest)) [[unlikely]] {
        window.filled = 0;
    }
    if (window.filled > 0 && since < slope_spacing) {
        return window.lasting;
    }
    window.newest = static_cast<std::uint8_t>((window.newest + 1) % size);
    window.at[window.newest] = at;
    window.rise[window.newest] = rise;
    window.slope[window.newest] = 0;
    window.filled = std::min<std::uint8_t>(static_cast<std::uint8_t>(window.filled + 1), size);
    window.lasting = 0;
    if (window.filled < slope_updates_min) {
        return 0;
    }
    for (std::uint8_t back = 1; back < window.filled; ++back) {
        const std::size_t i = (window.newest + size - back) % size;
        const Duration age = at - window.at[i];
        if (age >= slope_span) {
            window.slope[window.newest] = (rise - window.rise[i]).count * (1_h).count / age.count;
            window.lasting = std::min(window.slope[window.newest], window.slope[i]);
            break;
        }
    }
    return window.lasting;
}

// What the cell may be warm from: the warmest that its surroundings have been of late. A chamber set colder leaves its
// cells behind, and they are neither hot nor heating themselves for it.
void note_surroundings(GuardState& guards, Time at) {
    const Temperature ambient = guards.ambient;
    if (!guards.surroundings_known) {
        guards.surroundings = guards.warm_from = ambient;
        guards.surroundings_at = at;
        guards.surroundings_known = true;
        return;
    }
    const Duration since = at - guards.surroundings_at;
    if (ambient < guards.surroundings && since < 1_min) {
        return;
    }
    const std::int64_t minutes = since.count / (1_min).count;
    const Temperature left{guards.surroundings.count - minutes * cools_each_minute};
    guards.surroundings = std::max(left, ambient);
    for (std::int64_t i = 0; i < minutes && guards.warm_from > ambient; ++i) {
        const std::int64_t by = (guards.warm_from - ambient).count / cools_in_minutes;
        guards.warm_from = Temperature{guards.warm_from.count - std::max(by, cools_each_minute)};
    }
    guards.warm_from = std::max(guards.warm_from, ambient);
    guards.surroundings_at = at;
}

// Self-heating, long before an absolute limit. A cell colder than its surroundings is warmed by them.
void judge_rise(Judge& judge, const Reading<Temperature>& temperature, bool flows, Duration span) {
    GuardState& guards = judge.run.guards;
    const TemperatureDifference rise{temperature.value.count - guards.surroundings.count};
    const Duration longest = longest_gap(judge.scope, judge.plan.stale_temperature);
    const std::int64_t slope = slope_of(guards.slope, temperature.time, rise, longest);
    if (is_out(guards, GuardId::under_temperature)) {
        guards.slope.filled = 0;  // a thermometer that comes back from there shows no cell that warms
    }
    if (guards.surroundings_known && rise.count < colder_than_ambient) {
        judge.suspend(GuardId::temperature_rise);
        return;
    }
    // Ten minutes after the current stopped a sound cell cools: still warming at a quarter of the limit is
    // self-heating.
    const bool should_cool = !flows && temperature.time - guards.current_stopped >= still_warming_after;
    const GuardSetting& s = judge.setting(GuardId::temperature_rise);
    judge.above_limit(GuardId::temperature_rise, slope, should_cool ? s.trip / 4 : s.trip, span);
}

void judge_unchanged(Judge& judge, const Reading<Temperature>& temperature) {
    GuardState& guards = judge.run.guards;
    if (temperature.value != guards.stuck_temperature) {
        guards.stuck_temperature = temperature.value;
        guards.stuck_temperature_at = temperature.time;
        guards.stuck_temperature_said = false;
    } else if (!guards.stuck_temperature_said &&
               temperature.time - guards.stuck_temperature_at >= temperature_unchanged_for) [[unlikely]] {
        guards.stuck_temperature_said = true;
        judge.finding.temperature_unchanged = judge.setting(GuardId::stuck).origin != Origin::off;
    }
}

}  // namespace

// The median counts, once there is one. A thermometer of the room that falls silent must not switch a guard off: its
// last reading goes on standing for it until it is stale.
void note_ambient(Judge& judge, const Sample& sample) {
    GuardState& guards = judge.run.guards;
    if (!judge.plan.traits.has_ambient) {
        return;
    }
    if (sample.ambient.good()) {
        guards.ambient_fresh = std::max(guards.ambient_fresh, sample.ambient.time);
        const bool enough = guards.ambient_median.seen >= 2;
        const Temperature median = guards.ambient_median.take(sample.ambient.value);
        guards.ambient = enough ? median : guards.ambient;
    }
    if (guards.ambient.count != 0) {
        note_surroundings(guards, judge.now);
    }
}

void judge_temperature(Judge& judge, const Sample& sample, Duration span) {
    const Temperature temperature = sample.temperature.value;
    judge.above(GuardId::over_temperature, temperature.count, span);
    judge.below(GuardId::under_temperature, temperature.count, span);
    const Run& run = judge.run;
    const Current current = run.last.current.value;
    const bool flows = ((judge.scope.running && !is_open(run.demand)) || judge.stray) && run.last.current.good() &&
                       magnitude(current).count > judge.setting(GuardId::leakage).trip;
    if (flows && current.count > 0) {
        judge.within(GuardId::charge_temperature, temperature.count, span);
    } else {
        judge.suspend(GuardId::charge_temperature);
    }
    if (flows && current.count < 0) {
        judge.within(GuardId::discharge_temperature, temperature.count, span);
    } else {
        judge.suspend(GuardId::discharge_temperature);
    }
    GuardState& guards = judge.run.guards;
    if (flows || !guards.current_flows) {
        guards.current_stopped = flows ? sample.temperature.time : guards.current_stopped;
    }
    guards.current_flows = flows;
    judge_unchanged(judge, sample.temperature);
    if (judge.setting(GuardId::temperature_rise).origin != Origin::off) {
        judge_rise(judge, sample.temperature, flows, span);
    }
    if (guards.surroundings_known) {
        judge.above(GuardId::above_ambient, (temperature - guards.warm_from).count, span);
    }
}

}  // namespace slowfilm::engine
