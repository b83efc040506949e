// Opening the circuit and making sure of it: verify, send again, escalate. An opening is a level, not an edge: it is
// asked for until the current is seen to be gone.
#pragma once

#include "daemon/core/sample.hpp"
#include "daemon/core/traits.hpp"

#include <cstdint>

namespace slowfilm::engine {

struct Opening {
    bool wanted{false};    // open circuit is what the engine asks for
    bool verified{false};  // and a reading taken after it shows no current
    bool escalated{false};
    Time asked;  // when it was first asked for
    Time sent;   // when it was last sent
    Time told;   // when it was last told that it is not seen open
    std::uint32_t times{0};
    constexpr bool operator==(const Opening&) const = default;
};

struct OpeningStep {
    bool verified_now{false};
    bool resend{false};
    bool escalate{false};  // now: loud, and again every five minutes until it is seen open
};

// Open circuit is asked for, or no longer.
void ask_opening(Opening& opening, Time now);
void drop_opening(Opening& opening);

// Judged on every sample and tick. `current` is the last good reading, `leakage` the largest that counts as none.
[[nodiscard]] OpeningStep check_opening(Opening& opening, const Reading<Current>& current, StageMode mode,
                                        Current leakage, const ChannelTraits& traits, Time now);

}  // namespace slowfilm::engine
