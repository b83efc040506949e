// A place in a user's file.
#pragma once

#include <compare>
#include <cstdint>

namespace slowfilm {

struct Place {
    std::uint32_t line{1};    // from 1
    std::uint32_t column{1};  // from 1, in code points
    auto operator<=>(const Place&) const = default;
};

}  // namespace slowfilm
