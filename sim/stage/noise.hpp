// Noise made of whole numbers: the same seed, time and quantity give the same deviation everywhere, whoever asked
// before.
#pragma once

#include <cstdint>

namespace slowfilm::sim {

// A bijection that leaves no trace of its argument's pattern (the finaliser of SplitMix64: Steele, Lea, Flood 2014).
[[nodiscard]] constexpr std::uint64_t mixed(std::uint64_t x) {
    x += 0x9E37'79B9'7F4A'7C15U;
    x = (x ^ (x >> 30U)) * 0xBF58'476D'1CE4'E5B9U;
    x = (x ^ (x >> 27U)) * 0x94D0'49BB'1331'11EBU;
    return x ^ (x >> 31U);
}

// Mean 0, standard deviation 1, within 3.47: the sum of four even 16-bit numbers.
[[nodiscard]] constexpr double deviation(std::uint64_t random) {
    constexpr double sum_deviation = 37837.227;  // 65536 * sqrt(4 / 12)
    constexpr double sum_mean = 131070.0;
    const std::uint64_t sum =
        (random & 0xFFFFU) + (random >> 16U & 0xFFFFU) + (random >> 32U & 0xFFFFU) + (random >> 48U);
    return (static_cast<double>(sum) - sum_mean) * (1.0 / sum_deviation);
}

}  // namespace slowfilm::sim
