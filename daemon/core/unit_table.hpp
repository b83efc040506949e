// The units in which each dimension is written. One table for reading, printing and the sentences about both.
#pragma once

#include "daemon/core/quantity.hpp"

#include <cstdint>
#include <span>
#include <string>
#include <string_view>

namespace slowfilm {

struct WrittenUnit {
    std::string_view name;
    std::int64_t scale{1};  // stored counts in one of it
};

struct DimensionWords {
    std::string_view name;        // "voltage"
    std::string_view article;     // "a voltage"
    std::string_view example;     // "4.20 V"
    std::string_view resolution;  // what one count is: "1 nV"
    std::string_view limit;       // `most` in words: "1000000 V"
    std::int64_t most{0};         // a value's magnitude may not pass this; leaves room for sums in int64
    bool may_be_negative{false};
    std::int64_t offset{0};              // added to what is written: 0 degC is 273150 mK
    std::span<const WrittenUnit> units;  // largest first; empty for a rate
};

[[nodiscard]] const DimensionWords& words_of(Dimension dimension);

// "V, mV, uV and nV"
[[nodiscard]] std::string list_units(Dimension dimension);

}  // namespace slowfilm
