// What can be wrong with a virtual instrument, by the words of the bench file and the console.
#pragma once

#include "daemon/core/quantity.hpp"

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace slowfilm::sim::instrument {

enum class FaultKind : std::uint8_t {
    // On the line: any instrument.
    silent,             // it does what it is told and says nothing
    frozen,             // it hears nothing and says nothing; the output stays as it is
    late,               // answers come `value` seconds later (2)
    split,              // answers come in two pieces, `value` seconds apart (0.03)
    merged,             // an answer is held back until the next one goes
    garbled,            // one byte of each answer is another
    echoing,            // everything that is sent comes back first
    last_answer_again,  // each answer is the one before
    unplugged,          // the port is gone; back after `for`, under `as` if that is given
    // In the instrument.
    rebooted,           // settings lost, output off, the power-on bit set, deaf for `value` seconds; happens once
    stale,              // readings stay at what they were
    saturated,          // voltage and current read the end of their range
    over_range,         // readings are the standard's over-range number; of a board and a module: no reading
    stars,              // readings are stars
    decimal_comma,      // 4,2
    wrong_identity,     // another model answers
    error_queued,       // an error, `value` (-300), stands in its queue; a Modbus unit is busy; happens once
    settings_conflict,  // the next setting is refused with -221 and halves the current limit
    output_stuck_on,    // off is acknowledged, and told as off, and the current goes on
    off_ignored,        // the first `value` commands to switch off do nothing (all)
    protection_opened,  // its own protection has opened the output; happens once
    protection_wrong,   // its protection stands at `value`, whatever is set
    panel_turned,       // somebody turned `setting` to `value` on its front panel; happens once
    off_sinks,          // off takes `value` amperes (0.01)
    off_to_zero,        // off pulls the cell to 0 V with up to `value` amperes (1)
    crowbar,            // its thyristor shorts the cell until the fault is cleared
    // In the wiring.
    contactor_welded,
    sense_swapped,
    sense_lifted,
    thermometers_swapped,  // of a module: its first two
    thermometer,           // reads `value` degC; without a value it is broken
};
inline constexpr std::size_t fault_kinds = 31;

// "output stuck on".
[[nodiscard]] std::string_view name(FaultKind kind);
[[nodiscard]] std::optional<FaultKind> fault_kind(std::string_view name);
// All names, in the order of the kinds.
[[nodiscard]] const std::array<std::string_view, fault_kinds>& fault_names();
// Those that are over as soon as they have happened.
[[nodiscard]] bool happens_once(FaultKind kind);

struct Fault {
    FaultKind kind{FaultKind::silent};
    std::optional<double> value;
    std::string setting;    // panel_turned: "volt"
    std::string as;         // unplugged: the name it comes back under
    std::size_t output{0};  // of an instrument with several: 1, 2, ...; 0 is all of them
};

}  // namespace slowfilm::sim::instrument
