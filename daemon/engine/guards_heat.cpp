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

// One spurious reading must neither look like a rise nor stand as the start of one.
TemperatureDifference median_of_three(SlopeWindow& window, TemperatureDifference reading) {
    const auto [a, b] = window.before;
    const bool enough = window.seen >= 2;
    window.before = {b, reading};
    window.seen = enough ? std::uint8_t{2} : static_cast<std::uint8_t>(window.seen + 1);
    return enough ? std::max(std::min(a, b), std::min(std::max(a, b), reading)) : reading;
}

// mK/h between the newest value kept and the youngest one at least slope_span older; 0 until there are enough of them.
std::int64_t slope_of(SlopeWindow& window, Time at, TemperatureDifference reading) {
    constexpr auto size = static_cast<std::uint8_t>(SlopeWindow::size);
    const TemperatureDifference rise = median_of_three(window, reading);
    if (window.filled > 0 && at - window.at[window.newest] < slope_spacing) {
        return window.slope;
    }
    window.newest = static_cast<std::uint8_t>((window.newest + 1) % size);
    window.at[window.newest] = at;
    window.rise[window.newest] = rise;
    window.filled = std::min<std::uint8_t>(static_cast<std::uint8_t>(window.filled + 1), size);
    window.slope = 0;
    if (window.filled < slope_updates_min) {
        return 0;
    }
    for (std::uint8_t back = 1; back < window.filled; ++back) {
        const std::size_t i = (window.newest + size - back) % size;
        const Duration age = at - window.at[i];
        if (age >= slope_span) {
            window.slope = (rise - window.rise[i]).count * (1_h).count / age.count;
            break;
        }
    }
    return window.slope;
}

// What the cell may be warm from: the warmest that its surroundings have been of late. A chamber set colder leaves its
// cells behind, and they are neither hot nor heating themselves for it.
void note_surroundings(GuardState& guards, Temperature ambient, Time at) {
    const Duration since = at - guards.surroundings_at;
    if (ambient < guards.surroundings && since < 1_min && guards.surroundings_known) {
        return;
    }
    const Temperature left{guards.surroundings.count - since.count / (1_min).count * cools_each_minute};
    guards.surroundings = guards.surroundings_known ? std::max(left, ambient) : ambient;
    guards.surroundings_at = at;
    guards.surroundings_known = true;
}

// Self-heating, long before an absolute limit. A cell colder than its surroundings is warmed by them.
void judge_rise(Judge& judge, const Reading<Temperature>& temperature, bool flows, Duration span) {
    GuardState& guards = judge.run.guards;
    const TemperatureDifference rise{temperature.value.count - guards.surroundings.count};
    const std::int64_t slope = slope_of(guards.slope, temperature.time, rise);
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

void judge_temperature(Judge& judge, const Sample& sample, Duration span) {
    const Temperature temperature = sample.temperature.value;
    judge.above(GuardId::over_temperature, temperature.count, span);
    judge.below(GuardId::under_temperature, temperature.count, span);
    const Run& run = judge.run;
    const Current current = run.last.current.value;
    const bool flows = judge.scope.running && !is_open(run.demand) && run.last.current.good() &&
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
    // A thermometer of the room that falls silent must not switch a guard off: its last reading goes on standing for
    // it.
    const Reading<Temperature>& ambient = newest(sample.ambient, run.last.ambient);
    if (judge.plan.traits.has_ambient && ambient.good()) {
        note_surroundings(guards, ambient.value, sample.temperature.time);
    }
    if (judge.setting(GuardId::temperature_rise).origin != Origin::off) {
        judge_rise(judge, sample.temperature, flows, span);
    }
    if (guards.surroundings_known) {
        judge.above(GuardId::above_ambient, (temperature - guards.surroundings).count, span);
    }
}

}  // namespace slowfilm::engine
