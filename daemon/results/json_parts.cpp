#include "daemon/results/json_parts.hpp"

#include "daemon/core/text.hpp"

#include <cmath>

namespace slowfilm::results {

namespace json = boost::json;

void put(json::object& object, std::string_view key, std::optional<double> value, std::string_view reason) {
    if (value && std::isfinite(*value)) {
        object[key] = *value;
        return;
    }
    object[key] = nullptr;
    object[std::string{key} + "_reason"] = reason.empty() ? "the record holds no finite number" : reason;
}

void put_run(json::object& object, std::string_view key, std::optional<ledger::RunNumber> run,
             std::string_view reason) {
    if (run) {
        object[key] = *run;
        return;
    }
    object[key] = nullptr;
    object[std::string{key} + "_reason"] = reason;
}

void put_text(json::object& object, std::string_view key, const std::string& text, std::string_view reason) {
    if (!text.empty()) {
        object[key] = text;
        return;
    }
    object[key] = nullptr;
    object[std::string{key} + "_reason"] = reason;
}

void put_utc(json::object& object, std::string_view key, std::optional<std::int64_t> utc, std::string_view reason) {
    put_text(object, key, utc ? print_utc(*utc) : "", reason);
}

}  // namespace slowfilm::results
