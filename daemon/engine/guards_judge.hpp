// The inside of the guards: what a state lets be judged, and the judge that gathers persistence and findings. Not for
// use outside guards*.cpp.
#pragma once

#include "daemon/engine/guards.hpp"
#include "daemon/engine/run.hpp"

#include <algorithm>

namespace slowfilm::engine {

// What the state of the run lets be judged. A cell under a person's hands, or one whose connection is in doubt, is not
// blamed for its voltage; heat is judged always.
struct Scope {
    bool voltage{false}, heat{false}, leakage{false}, running{false};
    bool idle{false};   // the run is over or tripped, and its cell still lies there
    bool doubt{false};  // somebody may have the cell in hand: its voltage is told, and never blames it
};

// What a reading of the voltage alone says of the cell.
inline constexpr std::uint32_t cell_voltage_guards = bit_of(GuardId::over_voltage) | bit_of(GuardId::reversed) |
                                                     bit_of(GuardId::low_voltage) | bit_of(GuardId::discharge_floor) |
                                                     bit_of(GuardId::voltage_fall);
// What a lead that lets go reads like: it falls.
inline constexpr std::uint32_t falling_guards =
    bit_of(GuardId::reversed) | bit_of(GuardId::low_voltage) | bit_of(GuardId::discharge_floor);
// No cell falls so far from one reading to the next, or rises so far with a change of demand: a dead short would, and
// warms it to its limits within seconds. Common practice.
inline constexpr Voltage leap_of_no_cell{1'000'000'000};  // 1 V
inline constexpr std::uint32_t heat_guards =
    bit_of(GuardId::over_temperature) | bit_of(GuardId::temperature_rise) | bit_of(GuardId::above_ambient);
// A bench reads a channel without a run every few seconds only.
inline constexpr Duration idle_stale_least{30'000'000};
// The longest that a quantity may go without a reading; no interval longer than that counts as watched.
[[nodiscard]] inline Duration longest_gap(const Scope& scope, Duration stale_after) {
    return scope.idle ? std::max(stale_after, idle_stale_least) : stale_after;
}

[[nodiscard]] Scope scope_at_rest(const Plan& plan, const Run& run, Time now);  // of any state but these two
inline Scope scope_of(const Plan& plan, const Run& run, Time now) {
    if (run.state == RunState::forming || run.state == RunState::resting) [[likely]] {
        return {.voltage = true, .heat = true, .leakage = true, .running = true};
    }
    return scope_at_rest(plan, run, now);
}

class Judge {
  public:
    Judge(const Plan& the_plan, Run& the_run, const Scope& the_scope, Time the_time)
        : plan{the_plan}, run{the_run}, scope{the_scope}, settings{settings_of(the_plan, the_run)}, now{the_time} {}

    const Plan& plan;
    Run& run;
    const Scope& scope;
    const GuardSettings& settings;  // in force
    Time now;
    bool stray{false};  // current flows that nobody asked for: the voltage is the cell's, whoever holds it
    GuardFinding finding;

    [[nodiscard]] const GuardSetting& setting(GuardId id) const { return settings[index_of(id)]; }

    // Out of the limit unless value <= trip.
    void above(GuardId id, std::int64_t value, Duration span) { above_limit(id, value, setting(id).trip, span); }

    // The same where the limit is the demand's own.
    void above_limit(GuardId id, std::int64_t value, std::int64_t limit, Duration span) {
        const GuardSetting& s = setting(id);
        if (s.origin == Origin::off) {
            return;
        }
        note_closest(id, value, limit - value);
        if (s.has_warn) {
            warn(id, value, s.warn, !(value <= s.warn));
        }
        judge(id, value, limit, !(value <= limit) && !s.warn_only, span);
    }

    // Out of the limit unless value >= low.
    void below(GuardId id, std::int64_t value, Duration span) {
        const GuardSetting& s = setting(id);
        if (s.origin == Origin::off) {
            return;
        }
        note_closest(id, value, value - s.low);
        if (s.has_warn) {
            warn(id, value, s.warn, !(value >= s.warn));
        }
        judge(id, value, s.low, !(value >= s.low) && !s.warn_only, span);
    }

    // Out of the limit unless low <= value <= trip.
    void within(GuardId id, std::int64_t value, Duration span) {
        const GuardSetting& s = setting(id);
        if (s.origin == Origin::off) {
            return;
        }
        const bool in = value >= s.low && value <= s.trip;
        const std::int64_t to_low = value - s.low;
        const std::int64_t to_high = s.trip - value;
        note_closest(id, value, std::min(to_low, to_high));
        judge(id, value, to_low < to_high ? s.low : s.trip, !in, span);
    }

    // A guard that is in its limit and has nothing to drain costs two tests.
    void judge(GuardId id, std::int64_t value, std::int64_t limit, bool out, Duration span) {
        const bool idle = ((run.guards.out | run.guards.filled) & bit_of(id)) == 0;
        if (!out && idle) [[likely]] {
            return;
        }
        fill_up(id, value, limit, out, span);
    }

    // No persistence: this reading alone is enough.
    void at_once(GuardId id, std::int64_t value, std::int64_t limit, bool out) {
        if (!out || setting(id).origin == Origin::off) {
            mark(id, false);
            run.guards.fired &= ~bit_of(id);
            return;
        }
        mark(id, true);
        trip(id, value, limit);
    }

    // Not judged now: neither in nor out.
    void suspend(GuardId id) { mark(id, false); }

    void note_closest(GuardId id, std::int64_t value, std::int64_t margin) {
        GuardFill& fill = run.guards.fill[index_of(id)];
        if (margin < fill.margin) [[unlikely]] {
            fill.closest = value;
            fill.margin = margin;
            fill.closest_at = now;
        }
    }

  private:
    void mark(GuardId id, bool out) {
        const std::uint32_t bit = bit_of(id);
        run.guards.out = out ? run.guards.out | bit : run.guards.out & ~bit;
    }
    // What is out or has something to drain, and what is beyond its warning: seldom (guards.cpp).
    void fill_up(GuardId id, std::int64_t value, std::int64_t limit, bool out, Duration span);
    void warn(GuardId id, std::int64_t value, std::int64_t level, bool beyond);
    void note_leap(GuardId id, Voltage voltage);
    [[nodiscard]] bool is_of_wiring(GuardId id) const;
    void trip_wiring(Voltage voltage);
    void trip(GuardId id, std::int64_t value, std::int64_t limit);
};

// Each is given a fresh good reading of its quantity and the time since the one before (guards_voltage.cpp, ...).
struct Flow {
    bool charging{false};  // by the reading, or by what is asked
    bool discharging{false};
};
void judge_voltage(Judge& judge, const Sample& sample, Duration span, const Flow& flow);
void judge_current(Judge& judge, const Sample& sample, Duration span);
void judge_temperature(Judge& judge, const Sample& sample, Duration span);
// What the room's thermometer says, where there is one.
void note_ambient(Judge& judge, const Sample& sample);
// The terminals are to be read, and have not been for so long that a lifted sense lead would not be seen.
[[nodiscard]] bool leads_unseen(const Judge& judge, const Sample& sample);
// A contactor is open, or is to be: the terminals before it are not the cell's, and tell nothing of the sense leads.
[[nodiscard]] inline bool leads_cut(const Plan& plan, const Run& run) {
    return plan.traits.has_contactor && is_open(run.demand);
}

}  // namespace slowfilm::engine
