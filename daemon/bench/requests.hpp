// What requests carry, read strictly: usage where a parameter is missing or of another kind, bad_data where its text
// cannot stand in the record.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/ledger/records.hpp"

#include <boost/json/object.hpp>
#include <string>
#include <string_view>

namespace slowfilm::bench {

[[nodiscard]] Result<std::string> text_param(const boost::json::object& params, std::string_view key);
// One line of UTF-8 text in words, of at most 1000 bytes; `what` needs it: "an acknowledgement".
[[nodiscard]] Result<std::string> line_param(const boost::json::object& params, std::string_view key,
                                             std::string_view what);
[[nodiscard]] Result<ledger::RunNumber> run_param(const boost::json::object& params);

}  // namespace slowfilm::bench
