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
    bool known{false};                        // current has flowed through it: `furthest` is more than a claim
    bool armed{false};                        // it has been above low_voltage's armed_above
    bool quarantined{false};     // a cell-class trip: no current again unless a person lifts it with a reason
    bool first_leg_over{false};  // it has had a discharge of more than 10 % of rated: later leg caps hold
    Charge leg;                  // charge since the last such discharge
    Charge leg_unseen;           // what may have flowed besides while nobody watched; guards count it as charged
    Charge net;                  // in minus out since pristine; what `climb` counts from
    Charge net_unseen;           // what may have flowed besides, since pristine
    Voltage highest;             // highest good voltage ever seen; climb's gates stay passed
    Charge measured;             // what the last discharge that measured its capacity gave; 0: none has yet
    Time low_since;  // since when it has been below 1 V without current, whatever run it is in; 0: it is not
    constexpr bool operator==(const CellHistory&) const = default;
};

}  // namespace slowfilm
