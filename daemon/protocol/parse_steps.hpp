// [[step]] and what it holds.
#pragma once

#include "daemon/protocol/parse_fields.hpp"
#include "daemon/protocol/protocol.hpp"

#include <vector>

namespace slowfilm::protocol {

struct ParsedSteps {
    std::vector<Step> steps;
    bool whole{true};  // every step's kind could be read, and depth and number are within bounds
};

// The steps of the file's top table.
[[nodiscard]] ParsedSteps parse_steps(Table root);

// Steps gone through when everything is passed as often as written, a repeat itself counted once a visit.
// Stands at `visits_max` + 1 when there are more.
[[nodiscard]] std::uint64_t count_visits(const std::vector<Step>& steps);

}  // namespace slowfilm::protocol
