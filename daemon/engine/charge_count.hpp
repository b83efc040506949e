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
        constexpr std::int64_t half_femto_per_pico = 2000;
        std::int64_t total = 0;
        // Nearly always 64 bits hold it; 128-bit division costs as much as half the guards.
        if (!__builtin_mul_overflow(first.count + second.count, span.count, &total) &&
            !__builtin_add_overflow(total, std::int64_t{rest}, &total)) {
            whole.count += total / half_femto_per_pico;
            rest = static_cast<std::int32_t>(total % half_femto_per_pico);
            return;
        }
        __extension__ using Wide = __int128;
        const Wide wide = (static_cast<Wide>(first.count) + second.count) * span.count + rest;
        whole.count += static_cast<std::int64_t>(wide / half_femto_per_pico);
        rest = static_cast<std::int32_t>(wide % half_femto_per_pico);
    }
};

}  // namespace slowfilm::engine
