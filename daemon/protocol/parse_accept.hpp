// [accept]: what makes a good cell.
#pragma once

#include "daemon/protocol/parse_fields.hpp"
#include "daemon/protocol/protocol.hpp"

#include <vector>

namespace slowfilm::protocol {

// `steps`: those that a rule may name.
[[nodiscard]] Acceptance parse_accept(Fields fields, const std::vector<Step>& steps);

}  // namespace slowfilm::protocol
