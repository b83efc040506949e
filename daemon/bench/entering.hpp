// Values that people enter by hand, of a cell or because a step asks for them.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/engine/plan.hpp"
#include "daemon/ledger/records.hpp"

#include <boost/json/object.hpp>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::bench {

// `filled` takes a point in time that is not to come, `lot` a word, and any other name a number with its unit:
// "12.3 g". The reading has no cell and no person yet. bad_data says what would be right. `utc`: us since 1970, now.
[[nodiscard]] Result<ledger::HandReading> read_hand_value(std::string_view name, std::string_view value,
                                                          std::int64_t utc);

// What a step asks for: every field, within its bounds, and no other. `entered`: texts by name; the unit may be left
// out, or written as the step has it.
[[nodiscard]] Result<std::vector<ledger::HandReading>> read_entered(std::span<const protocol::EnterField> fields,
                                                                    const boost::json::object& entered);

// "mass (g, 10 to 20)"
[[nodiscard]] std::string describe_field(const protocol::EnterField& field);

}  // namespace slowfilm::bench
