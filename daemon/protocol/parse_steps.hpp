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

// The steps of the file's top table. `cell`: for rates beside currents in a step's limits.
[[nodiscard]] ParsedSteps parse_steps(Table root, const Cell& cell);

// What one step says, its kind, path and place set already and the steps inside left out.
void read_step(Fields& fields, Step& step, const Cell& cell);
// Parts of it: `ends`; `at_most` with on_overrun, not_before and good_end; `only_if`.
void read_ends(Fields& fields, Step& step);
void read_at_most(Fields& fields, Step& step);
void read_only_if(Fields& fields, Step& step);
// "this charge", for complaints.
[[nodiscard]] std::string a_step(const Step& step);
// [keep], and the keep of a step.
[[nodiscard]] Keep read_keep(Fields& fields);

// Steps gone through when everything is passed as often as written, a repeat itself counted once a visit.
// Stands at `visits_max` + 1 when there are more.
[[nodiscard]] std::uint64_t count_visits(const std::vector<Step>& steps);

}  // namespace slowfilm::protocol
