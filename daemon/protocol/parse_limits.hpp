// [limits]: the guards as written, and what their hardness forbids.
#pragma once

#include "daemon/protocol/parse_fields.hpp"
#include "daemon/protocol/protocol.hpp"

namespace slowfilm::protocol {

[[nodiscard]] Limits parse_limits(Fields fields, const Cell& cell);
// A step's own, which are fewer and never off.
[[nodiscard]] Limits parse_step_limits(Fields fields, const Cell& cell);

// Whether both ends of a range are written and the wrong way round.
template <class Q>
[[nodiscard]] bool upside_down(const std::optional<Q>& min, const std::optional<Q>& max) {
    return min && max && *max <= *min;
}

}  // namespace slowfilm::protocol
