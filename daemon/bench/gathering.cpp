#include "daemon/bench/gathering.hpp"

#include <algorithm>

namespace slowfilm::bench {

Standing standing_of(const engine::Plan& plan, const engine::Run& run) {
    Standing standing;
    const engine::PlanStep& step = plan.steps[run.step];
    std::size_t depth = step.depth;
    standing.at[2 * depth] = run.step + 1U;
    for (std::int16_t around = step.parent; around >= 0 && depth > 0; --depth) {
        standing.at[2 * (depth - 1)] = static_cast<std::uint32_t>(around) + 1U;
        standing.at[2 * (depth - 1) + 1] = run.pass[depth - 1];
        around = plan.steps[static_cast<std::size_t>(around)].parent;
    }
    return standing;
}

std::vector<std::size_t> who_begins(std::span<const Member> members) {
    std::vector<std::size_t> chosen;
    for (std::size_t i = 0; i < members.size(); ++i) {
        const Member& member = members[i];
        if (!member.living) {
            continue;
        }
        if (!member.gathering) {
            return {};
        }
        if (!chosen.empty() && member.standing < members[chosen.front()].standing) {
            chosen.clear();
        }
        if (chosen.empty() || member.standing == members[chosen.front()].standing) {
            chosen.push_back(i);
        }
    }
    return chosen;
}

}  // namespace slowfilm::bench
