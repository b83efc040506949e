// Charge as an exact integral: trapezoids of whole nanoamperes over whole microseconds, nothing rounded away.
#pragma once

#include "daemon/core/quantity.hpp"

#include <cstdint>

namespace slowfilm::engine {

// 1 nA x 1 us = 1 fC. `whole` counts pC, `rest` what is left over in half femtocoulombs (trapezoids halve), of the
// same sign, below one pC.
struct ChargeCount {
    Charge whole;
    std::int32_t rest{0};

    constexpr bool operator==(const ChargeCount&) const = default;

    // Adds (first + second) / 2 over `span`.
    constexpr void add(Current first, Current second, Duration span) {
        __extension__ using Wide = __int128;
        constexpr Wide half_femto_per_pico = 2000;
        const Wide total = (static_cast<Wide>(first.count) + second.count) * span.count + rest;
        whole.count += static_cast<std::int64_t>(total / half_femto_per_pico);
        rest = static_cast<std::int32_t>(total % half_femto_per_pico);
    }
};

}  // namespace slowfilm::engine
