// What is remembered of one physical cell across runs and channels. The ledger keeps it; a protocol's claim yields to
// it.
#pragma once

#include "daemon/core/quantity.hpp"

#include <cstdint>
#include <string_view>

namespace slowfilm {

enum class CellState : std::uint8_t { pristine, tapped, formed };

// As a protocol, an answer and the ledger spell it; "" for what is no enumerator.
[[nodiscard]] constexpr std::string_view name(CellState state) {
    switch (state) {
        case CellState::pristine: return "pristine";
        case CellState::tapped: return "tapped";
        case CellState::formed: return "formed";
    }
    return {};
}

struct CellHistory {
    CellState furthest{CellState::pristine};  // a cell once formed is never pristine again
    bool known{false};                        // the ledger has seen this cell before
    bool armed{false};                        // it has been above low_voltage's armed_above
    bool quarantined{false};     // a cell-class trip: no current again unless a person lifts it with a reason
    bool first_leg_over{false};  // it has had a discharge of more than 10 % of rated: later leg caps hold
    Charge leg;                  // charge since the last such discharge
    Charge net;                  // in minus out since pristine; what `climb` counts from
    Voltage highest;             // highest good voltage ever seen; climb's gates stay passed
    Charge measured;             // what the last discharge that measured its capacity gave; 0: none has yet
    constexpr bool operator==(const CellHistory&) const = default;
};

}  // namespace slowfilm
