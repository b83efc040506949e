// All that can happen to a run, in order. A run is a fold over these; the tape in the ledger holds every one.
#pragma once

#include "daemon/core/demand.hpp"
#include "daemon/core/sample.hpp"

#include <cstdint>
#include <variant>

namespace slowfilm {

// One every period, whether or not a sample came: time passes for an instrument that went silent too.
struct Tick {
    constexpr bool operator==(const Tick&) const = default;
};

enum class CommandKind : std::uint8_t { start, pause, resume, confirm, acknowledge, stop };
struct Command {
    CommandKind kind{CommandKind::pause};
    constexpr bool operator==(const Command&) const = default;
};

// The stage has taken a demand. "Not as demanded" counts from here, not from when the engine asked.
struct Applied {
    Demand demand;
    constexpr bool operator==(const Applied&) const = default;
};

enum class FaultKind : std::uint8_t {
    lost,             // the link or the instrument is gone
    refused,          // the instrument did not take a demand
    rebooted,         // it lost its settings
    opened_itself,    // its own protection opened the output
    setting_changed,  // a read-back differs from what was set
};
struct ChannelFault {
    FaultKind kind{FaultKind::lost};
    constexpr bool operator==(const ChannelFault&) const = default;
};

// A neighbour's heat, interlock, stuck output or smoke opens the whole group.
struct GroupTrip {
    std::uint32_t origin{0};  // index of the channel it came from
    constexpr bool operator==(const GroupTrip&) const = default;
};

// Nobody watched between `from` and the input's time: the machine slept, the daemon was down.
struct Gap {
    Time from;
    constexpr bool operator==(const Gap&) const = default;
};

// The ledger can take no more: current that cannot be recorded does not flow.
struct RecordLost {
    constexpr bool operator==(const RecordLost&) const = default;
};

// The group lets this run send its small test current: no other channel of the group is doing so.
struct TestGrant {
    constexpr bool operator==(const TestGrant&) const = default;
};

// While this run's test current flowed the voltage of another channel moved: leads are crossed.
struct Crossed {
    std::uint32_t origin{0};  // index of the channel whose voltage moved
    constexpr bool operator==(const Crossed&) const = default;
};

// Every living run of the tray has come to this step, which they begin together.
struct Gathered {
    constexpr bool operator==(const Gathered&) const = default;
};

using InputBody = std::variant<Tick, Sample, Command, Applied, ChannelFault, GroupTrip, Gap, RecordLost, TestGrant,
                               Crossed, Gathered>;

struct Input {
    std::uint64_t sequence{0};  // gapless within a run, from 1
    Time time;
    InputBody body;
    constexpr bool operator==(const Input&) const = default;
};

}  // namespace slowfilm
