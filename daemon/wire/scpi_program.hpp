// SCPI as an instrument hears it: program messages to single commands, and whether a header is the one meant. For the
// virtual instruments; a driver needs nothing of this.
#pragma once

#include "daemon/core/quantity.hpp"

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::wire {

// One command of a program message, its header made absolute: "VOLT:PROT 5;LEV 4" gives "VOLT:PROT" and "VOLT:LEV".
struct ProgramCommand {
    std::string header;                   // without a leading ':', with its '?' if it is a query; case as it came
    std::vector<std::string> parameters;  // split at ',' outside quotes, spaces around them taken off
    bool operator==(const ProgramCommand&) const = default;
};

// A program message (one line without its terminator). Commands are separated by ';' outside quotes; one that begins
// with ':' starts at the root, a common one ("*CLS") leaves the subtree as it is, any other goes on in the subtree of
// the one before (IEEE 488.2 and SCPI-1999 vol. 1, 6.2.4). Empty commands are left out. Any bytes are taken.
[[nodiscard]] std::vector<ProgramCommand> split_program(std::string_view message);

// Whether `header` is what `pattern` means. Capitals of the pattern are the short form; each word must be the exact
// short or the exact long form, in any case; nodes in brackets may be left out:
//   "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", "OUTPut[:STATe]?", "*IDN?"
// At most 16 nodes; a header with more matches nothing.
[[nodiscard]] bool header_matches(std::string_view pattern, std::string_view header);

// A voltage, current or other number as a reply, in the style of most instruments: "+4.20000000E+00" (NR3).
// NaN and infinity as SCPI has them: "+9.91E+37", "-9.9E+37".
[[nodiscard]] std::string print_nr3(double value, int decimals = 8);

}  // namespace slowfilm::wire
