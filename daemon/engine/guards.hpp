// The guards: judged on every sample and every tick, in every state. Limits are written so that what cannot be compared
// trips.
#pragma once

#include "daemon/core/quantity.hpp"
#include "daemon/core/sample.hpp"
#include "daemon/engine/plan.hpp"
#include "daemon/protocol/guard_table.hpp"

#include <algorithm>
#include <array>
#include <cstdint>
#include <limits>

namespace slowfilm::engine {

struct Run;

constexpr std::size_t index_of(GuardId id) {
    return static_cast<std::size_t>(id);
}
constexpr std::uint32_t bit_of(GuardId id) {
    return std::uint32_t{1} << static_cast<unsigned>(id);
}
static_assert(guard_count <= 32, "each guard has a bit");

// Persistence of one guard. It is time out of the limit; it drains at half the rate at which it fills, so that a
// flickering fault still trips and one bad reading in ten does not.
struct GuardFill {
    static constexpr std::int64_t margin_unknown = std::numeric_limits<std::int64_t>::max();
    Duration out_for;         // gathered
    std::int32_t samples{0};  // where persistence is "two samples in a row": +2 out, -1 in, trips at 4
    bool warned{false};
    std::int64_t closest{0};              // the value that came nearest to the limit
    std::int64_t margin{margin_unknown};  // and how near that was; negative when beyond
    Time closest_at;
    [[nodiscard]] constexpr bool closest_known() const { return margin != margin_unknown; }
    constexpr bool operator==(const GuardFill&) const = default;
};

// One spurious reading must not be taken for what a thermometer says: the median of the last three is.
template <class Q>
struct MedianOfThree {
    std::array<Q, 2> before{};  // the last two readings
    std::uint8_t seen{0};       // how many of them there are
    constexpr Q take(Q reading) {
        const auto [a, b] = before;
        const bool enough = seen >= 2;
        before = {b, reading};
        seen = enough ? std::uint8_t{2} : static_cast<std::uint8_t>(seen + 1);
        return enough ? std::max(std::min(a, b), std::min(std::max(a, b), reading)) : reading;
    }
    constexpr bool operator==(const MedianOfThree&) const = default;
};

// Temperatures a few seconds apart, for the slope.
struct SlopeWindow {
    static constexpr std::size_t size = 16;
    std::array<Time, size> at{};
    std::array<TemperatureDifference, size> rise{};  // cell minus ambient where there is an ambient sensor
    std::uint8_t filled{0};
    std::uint8_t newest{0};
    MedianOfThree<TemperatureDifference> median;
    std::array<std::int64_t, size> slope{};  // mK/h, over the minute before each of them; 0 until there is one
    std::int64_t lasting{0};                 // the smaller of the slopes over the last minute and the one before it
    constexpr bool operator==(const SlopeWindow&) const = default;
};

struct GuardState {
    std::array<GuardFill, guard_count> fill{};
    std::uint32_t out{0};     // bit per GuardId: out of its limit at the last judgement, and would trip
    std::uint32_t filled{0};  // bit per GuardId: its persistence has gathered something that has not drained yet
    std::uint32_t fired{0};   // bit per GuardId: it has fired, and has not drained since
    std::uint32_t leapt{0};   // bit per GuardId: what it has gathered began with a leap that no cell makes
    Voltage leapt_from;       // the voltage before the last of them
    Time voltage_fresh, current_fresh, temperature_fresh,
        ambient_fresh;  // of the last good reading, or the run's start
    SlopeWindow slope;
    Time current_stopped;  // since when no current flows
    bool current_flows{false};
    Current lost_from;         // the current before it was lost; 0: not lost
    Voltage highest_charging;  // of this visit while charging: what voltage_fall falls from
    bool highest_known{false};
    Voltage jump_from;  // the voltage before a jump that is not settled yet
    bool jump_known{false};
    Voltage voltage_step;   // between the last two readings: a slope goes on, a jump does not announce itself
    Current settles_from;   // what flowed before the last change of demand ...
    Time settles_since;     // ... which was then
    Voltage stuck_voltage;  // the reading that has not changed ...
    Charge stuck_charge;    // ... and the charge counted since
    bool stuck_known{false};
    Temperature stuck_temperature;  // likewise; a day of the same digit warns
    Time stuck_temperature_at;
    bool stuck_temperature_said{false};
    Temperature surroundings;  // the warmest ambient of late: against it a cell warms by itself, or does not
    Temperature warm_from;     // likewise, but left faster when it was far warmer: against it a cell is too warm
    Time surroundings_at;
    MedianOfThree<Temperature> ambient_median;
    Temperature ambient;  // the last median
    bool surroundings_known{false};
    std::uint64_t bad_readings{0};  // rode out, counted and shown
};

// A thermometer that has read the same to the digit for so long is warned of.
inline constexpr Duration temperature_unchanged_for{21'600'000'000};  // 6 h

struct GuardFinding {
    bool tripped{false};
    bool heat{false};      // some guard of heat fired, whether or not it is the worst: the neighbours must open
    bool in_doubt{false};  // the worst is a voltage of a cell that somebody may have in hand: to be told, no more
    GuardId id{GuardId::over_voltage};  // the worst that fired
    std::int64_t value{0};
    std::int64_t limit{0};
    bool warned{false};  // one guard went beyond its warn level just now; another is told with the next sample
    GuardId warned_id{GuardId::over_voltage};
    std::int64_t warned_value{0};
    std::int64_t warned_level{0};
    bool temperature_unchanged{false};  // for temperature_unchanged_for, just now
};

// The sample with implausible readings marked bad, so that nobody takes them for values: outside the instrument's range
// or the bench's own sensor window, or dated after the input that brought it. A broken sensor must not read as a safe
// cell. A reading that is no newer than `last`, the newest good ones so far, is left out: it has been judged.
[[nodiscard]] Sample plausible_part(const Plan& plan, const Sample& last, const Sample& sample, Time now);

// Takes the good readings of a plausible_part into account, judges every guard that the run's state does not suspend.
[[nodiscard]] GuardFinding judge_sample(const Plan& plan, Run& run, const Sample& sample, Time now);
[[nodiscard]] bool is_out(const GuardState& guards, GuardId id);
// A guard of heat is out now: the neighbours may get no current.
[[nodiscard]] bool is_hot(const Plan& plan, const Run& run);
// Open circuit is asked for in vain: current is seen, or the openings are not answered.
[[nodiscard]] bool is_stuck(const Run& run);
// Time alone: staleness and the run's length.
[[nodiscard]] GuardFinding judge_tick(const Plan& plan, Run& run, Time now);
// A new visit or a resumption: soft guards that judge an answer to a demand start anew; hard ones go on.
void restart_soft_guards(GuardState& guards);
// The state at start: everything is as fresh as `now`.
void start_guards(GuardState& guards, Time now);
// Nobody watched up to `now`: what was seen before it is compared with nothing after it.
void skip_gap(GuardState& guards, Time now);
// What is wrong with the channel itself where no current is asked for, as far as the last readings tell.
struct ChannelTrouble {
    bool not_open{false};  // the output is not seen open
    bool silent{false};    // a quantity has no fresh good reading
    std::uint32_t out{0};  // bit per GuardId of class channel that is judged of a cell that only lies there, and is out
    [[nodiscard]] constexpr bool any() const { return not_open || silent || out != 0; }
};
[[nodiscard]] ChannelTrouble channel_trouble(const Plan& plan, const Run& run, Time now);
// A trip may be acknowledged only once its cause is gone, as far as the last readings tell. That of a group trip is
// with the neighbours, which a run does not know: ask the bench besides.
[[nodiscard]] bool cause_gone(const Plan& plan, const Run& run, Time now);

}  // namespace slowfilm::engine
