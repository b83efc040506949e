// Who of a tray may begin a step that its cells begin together.
#pragma once

#include "daemon/engine/plan.hpp"
#include "daemon/engine/run.hpp"

#include <array>
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace slowfilm::bench {

// How far a run has come: the repeats around its step with their passes, from the outermost, then the step itself.
struct Standing {
    std::array<std::uint32_t, 2 * protocol::repeat_depth_max + 1> at{};
    auto operator<=>(const Standing&) const = default;
};
[[nodiscard]] Standing standing_of(const engine::Plan& plan, const engine::Run& run);

struct Member {
    bool living{false};  // neither over nor tripped
    bool gathering{false};
    Standing standing;
};

// Indices of those that begin now: nobody while one that lives has not come to such a step; then those that are
// furthest behind, which is all of them where they stand at the same step in the same pass. So a cell whose repeat took
// one pass less waits at the next step for the others, and none waits for ever.
[[nodiscard]] std::vector<std::size_t> who_begins(std::span<const Member> members);

}  // namespace slowfilm::bench
