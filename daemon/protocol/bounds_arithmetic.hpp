// Whole-number arithmetic that stops at the largest value instead of wrapping, for bounds over up to 100,000 visits of
// up to ten years each. All values here are magnitudes.
#pragma once

#include "daemon/core/quantity.hpp"

#include <algorithm>
#include <cstdint>
#include <limits>
#include <optional>

namespace slowfilm::protocol {

__extension__ using Wide = __int128;

[[nodiscard]] constexpr std::int64_t saturated(Wide value) {
    constexpr Wide most = std::numeric_limits<std::int64_t>::max();
    constexpr Wide least = std::numeric_limits<std::int64_t>::min();
    return static_cast<std::int64_t>(std::clamp(value, least, most));
}

template <Dimension D>
[[nodiscard]] constexpr Quantity<D> sum(Quantity<D> a, Quantity<D> b) {
    return {saturated(static_cast<Wide>(a.count) + b.count)};
}

template <Dimension D>
[[nodiscard]] constexpr Quantity<D> difference(Quantity<D> a, Quantity<D> b) {
    return {saturated(static_cast<Wide>(a.count) - b.count)};
}

template <Dimension D>
[[nodiscard]] constexpr Quantity<D> times(Quantity<D> a, std::uint64_t n) {
    // 2^63 x 2^64 would leave 128 bits with the sign; n never needs more than 63 bits to saturate anything above zero.
    const auto bounded = static_cast<std::int64_t>(
        std::min<std::uint64_t>(n, static_cast<std::uint64_t>(std::numeric_limits<std::int64_t>::max())));
    return {saturated(static_cast<Wide>(a.count) * bounded)};
}

// What a current moves in a time, rounded up to a whole picocoulomb: 1 nA x 1 us = 1 fC.
[[nodiscard]] constexpr Charge moved(Current current, Duration time) {
    const Wide femto = static_cast<Wide>(magnitude(current).count) * time.count;
    return {saturated((femto + 999) / 1000)};
}

// The smaller of those that are there.
template <class Q>
[[nodiscard]] constexpr std::optional<Q> least_of(std::optional<Q> a, std::optional<Q> b) {
    if (a && b) {
        return std::min(*a, *b);
    }
    return a ? a : b;
}

}  // namespace slowfilm::protocol
