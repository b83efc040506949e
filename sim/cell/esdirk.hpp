// ESDIRK4(3)6L[2]SA: C. A. Kennedy and M. H. Carpenter, Appl. Numer. Math. 44 (2003) 139,
// doi 10.1016/S0168-9274(02)00138-1: explicit first stage, five implicit ones with the same diagonal, L-stable and
// stiffly accurate, an embedded third order.
#pragma once

#include <array>
#include <cstddef>

namespace slowfilm::sim::esdirk {

inline constexpr std::size_t stages = 6;
inline constexpr double diagonal = 0.25;
inline constexpr std::array<double, stages> time{0.0, 1.0 / 2, 83.0 / 250, 31.0 / 50, 17.0 / 20, 1.0};
inline constexpr std::array<std::array<double, stages>, stages> a{{
    {},
    {1.0 / 4, diagonal},
    {8611.0 / 62500, -1743.0 / 31250, diagonal},
    {5012029.0 / 34652500, -654441.0 / 2922500, 174375.0 / 388108, diagonal},
    {15267082809.0 / 155376265600, -71443401.0 / 120774400, 730878875.0 / 902184768, 2285395.0 / 8070912, diagonal},
    {82889.0 / 524892, 0.0, 15625.0 / 83664, 69875.0 / 102672, -2260.0 / 8211, diagonal},
}};
// The last row is the step itself; these are the weights of order three.
inline constexpr std::array<double, stages> embedded{4586570599.0 / 29645900160, 0.0,
                                                     178811875.0 / 945068544,    814220225.0 / 1159782912,
                                                     -3700637.0 / 11593932,      61727.0 / 225920};
// What the two orders differ by.
inline constexpr std::array<double, stages> difference = [] {
    std::array<double, stages> weights{};
    for (std::size_t i = 0; i < stages; ++i) {
        weights[i] = a[stages - 1][i] - embedded[i];
    }
    return weights;
}();

}  // namespace slowfilm::sim::esdirk
