// A value that is not defined is null, with `<key>_reason` beside it.
#pragma once

#include "daemon/ledger/records.hpp"

#include <boost/json/object.hpp>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace slowfilm::results {

// A value that is not finite is null as well.
void put(boost::json::object& object, std::string_view key, std::optional<double> value, std::string_view reason);
void put_run(boost::json::object& object, std::string_view key, std::optional<ledger::RunNumber> run,
             std::string_view reason);
// An empty text is not defined.
void put_text(boost::json::object& object, std::string_view key, const std::string& text, std::string_view reason);
void put_utc(boost::json::object& object, std::string_view key, std::optional<std::int64_t> utc,
             std::string_view reason);

}  // namespace slowfilm::results
