// Strict RFC 8259 text out of Boost.JSON values. Boost 1.81 prints NaN bare and lets broken UTF-8 through, so printing
// is ours; parsing is Boost's, with its bounds set.
#pragma once

#include "daemon/core/result.hpp"

#include <boost/json/value.hpp>
#include <string>
#include <string_view>

namespace slowfilm {

// One line, keys in insertion order, doubles in their shortest form, non-finite as null, strings made valid UTF-8.
[[nodiscard]] std::string to_json_text(const boost::json::value& value);
// The same, indented by two spaces, for a person's eyes; ends with a newline.
[[nodiscard]] std::string to_json_pretty(const boost::json::value& value);
// Depth at most 32, whole text used, no extensions.
[[nodiscard]] Result<boost::json::value> parse_json(std::string_view text);

}  // namespace slowfilm
