// What a protocol says, judged: the grammar's complaints (parse.hpp) and those of meaning, all in one pass, each at its
// place with what is wrong and what would be right. Everything is compared in whole nanovolts, nanoamperes,
// picocoulombs and microseconds, so a value that is equal to its limit in the file is equal here.
#pragma once

#include "daemon/core/diagnostic.hpp"
#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/protocol.hpp"

#include <algorithm>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::protocol {

struct Checked {
    std::optional<Protocol> protocol;  // only without errors; warnings leave it
    Diagnostics diagnostics;           // sorted by place
    Bounds bounds;                     // of the protocol for its rated capacity; all zero where there is none
};

// Never throws and does no I/O; `file` is only the name that complaints carry.
[[nodiscard]] Checked check_protocol(std::string file, std::string_view text);

// `step 6.2 ("film")`
[[nodiscard]] std::string label(const Step& step);

// Calls `visit(step, passes)` for every step, repeats before what is in them; `passes` is how often it is gone through.
template <class Visit>
void each_step(const std::vector<Step>& steps, const Visit& visit, std::uint64_t passes = 1) {
    for (const Step& step : steps) {
        visit(step, passes);
        if (step.kind == StepKind::repeat) {
            const std::uint64_t most = 0xffff'ffffU;  // two such still multiply without wrapping
            each_step(step.steps, visit, std::min(passes * step.times, most));
        }
    }
}

}  // namespace slowfilm::protocol
