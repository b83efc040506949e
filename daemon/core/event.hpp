// What the engine reports: numbers and enums; the sentences are made outside (engine/describe.hpp).
#pragma once

#include "daemon/core/quantity.hpp"

#include <cstdint>
#include <string_view>

namespace slowfilm {

enum class RunState : std::uint8_t {
    planned,
    checking,
    forming,
    resting,
    asking,
    paused,
    waiting,  // for a person, after an interruption or an overrun
    tripped,
    stopped,
    done,
};

// Why a step ended.
enum class EndReason : std::uint8_t {
    none,
    voltage,
    current,
    time,
    amount,
    net,
    confirmed,
    passes,      // a repeat ran all its times
    already_so,  // the condition was true when the step began; no current flowed
    temperature,
    settled,         // the voltage no longer drifts
    swept,           // a ramp came to its end
    levels,          // a pulse went through its levels
    figure,          // a repeat whose figure no longer changes
    skipped,         // only_if was not so
    at_most_time,    // overrun
    at_most_amount,  // overrun
    repeat_at_most,  // overrun of a repeat around it
    tripped,
    stopped,
};

enum class WaitReason : std::uint8_t {
    none,
    overrun,  // at_most reached and on_overrun = "wait"
    gap,      // nobody watched for a while
    record_lost,
    acknowledged,      // a channel trip was acknowledged; resume runs the connection checks
    connection,        // a connection check failed
    restart,           // the daemon started and found this run unfinished
    already_so_twice,  // a step in a repeat found its end already true twice running
    not_good_end,      // the step ended by another condition than its good_end, and on_overrun = "wait"
    no_figure,         // only_if asks for a figure that is not defined
    not_measured,      // "of measured", and no measured capacity is known of this cell
    moved,             // the run was put on another channel
};

// Connection checks before current flows.
enum class ConnectionFault : std::uint8_t {
    none,
    no_reading,  // a quantity has no fresh good reading
    reversed,    // voltage below -0.10 V
    below_start_window,
    above_start_window,
    temperature_outside,
    current_flows,     // at open circuit
    sensors_disagree,  // cell and ambient differ at rest; value, limit: the difference in mK
    no_response,       // the test current did not move the voltage
    wrong_direction,   // it moved it the wrong way
    not_back,          // the voltage went on moving after it
    resistance_low,    // value, limit: nohm
    resistance_high,
    crossed,     // another channel's voltage moved; value: its index
    other_cell,  // the voltage is not where this cell's should be; value, limit: V
};

enum class EventKind : std::uint8_t {
    started,
    step_began,  // code: 0
    step_ended,  // code: EndReason
    warned,      // code: GuardId; value, limit
    tripped,     // code: GuardId; value, limit
    acknowledged,
    paused,
    resumed,
    waiting,  // code: WaitReason
    asking,
    confirmed,
    connection_failed,  // code: ConnectionFault; value, limit
    connection_good,
    opened,        // open circuit verified
    open_resent,   // value: how many times sent
    output_stuck,  // current flows though open was asked and re-asked: value is the current
    stopped,
    done,
    refused,       // a command that this state forbids; code: CommandKind
    gap,           // value: its length in us
    bad_input,     // an input out of order in time or sequence
    mark,          // the mean voltage at a `keep.at` is ready; value: nV, limit: readings in it
    repeat_ended,  // step: the repeat; code: EndReason figure, skipped or at_most_time
    ambient,       // value: mK, what the chamber is set to
    gathering,     // waits for the other runs of its tray
    copper,        // a cell below 1 V without current loses its copper; value: V, limit: time left in us
    idle_alarm,    // the cell on the channel is out of a limit, and its state stays; code: GuardId; value, limit
};

// No initialisers: a decision holds room for eight, and clearing it on every tick would cost as much as a guard. Write
// Event{...}, which clears what is not named.
struct Event {  // NOLINT(cppcoreguidelines-pro-type-member-init): as said above
    EventKind kind;
    std::uint8_t code;
    std::uint16_t step;   // index into the plan's flat step list
    std::uint32_t visit;  // counts from 0 and never restarts
    Time time;
    std::int64_t value;  // in the guard's own unit
    std::int64_t limit;
    constexpr bool operator==(const Event&) const = default;
};

// One spelling of each, for answers, texts and the ledger. A word never changes once a ledger has it; what is no
// enumerator has none.
[[nodiscard]] std::string_view name(RunState state);
[[nodiscard]] std::string_view name(WaitReason reason);
// What happened, as a clause: "a step reached its at_most"; "" for none.
[[nodiscard]] std::string_view cause(WaitReason reason);
[[nodiscard]] std::string_view name(EventKind kind);

}  // namespace slowfilm
