// Points in time as people write them: RFC 3339.
#pragma once

#include "daemon/core/result.hpp"

#include <cstdint>
#include <string>
#include <string_view>

namespace slowfilm {

// "2026-11-24T18:00:00Z", "2026-11-24T19:00:00.5+01:00": microseconds since 1970. The error is a phrase that says what
// is wrong and what would be right. Years 1970 to 2999; no leap seconds.
[[nodiscard]] Result<std::int64_t, std::string> parse_utc(std::string_view text);

}  // namespace slowfilm
