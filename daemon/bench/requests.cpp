#include "daemon/bench/requests.hpp"

#include "daemon/core/text.hpp"

#include <algorithm>
#include <limits>

namespace slowfilm::bench {
namespace {

constexpr std::size_t line_bytes_max = 1000;

}  // namespace

Result<std::string> text_param(const boost::json::object& params, std::string_view key) {
    const boost::json::value* value = params.if_contains(key);
    if (value == nullptr || !value->is_string()) {
        return fail(Failure::usage, "the request needs '" + std::string(key) + "', a string");
    }
    return std::string(value->get_string());
}

Result<std::string> line_param(const boost::json::object& params, std::string_view key, std::string_view what) {
    Result<std::string> line = text_param(params, key);
    if (!line) {
        return line;
    }
    const auto control = [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7F; };
    if (line->find_first_not_of(' ') == std::string::npos || line->size() > line_bytes_max) {
        return fail(Failure::bad_data, std::string(what) + " needs a " + std::string(key) + " in words, of at most " +
                                           std::to_string(line_bytes_max) + " bytes");
    }
    if (std::any_of(line->begin(), line->end(), control) || valid_utf8(*line) != *line) {
        return fail(Failure::bad_data, "the " + std::string(key) + " '" + escaped(*line) +
                                           "' has control characters or is not UTF-8; write it as one line of text");
    }
    return line;
}

Result<ledger::RunNumber> run_param(const boost::json::object& params) {
    const boost::json::value* value = params.if_contains("run");
    boost::system::error_code error;
    const std::int64_t number =
        value != nullptr && value->is_number() ? value->to_number<std::int64_t>(error) : std::int64_t{0};
    if (error || number < 1 || number > std::numeric_limits<ledger::RunNumber>::max()) {
        return fail(Failure::usage, "the request needs 'run', a run's number");
    }
    return static_cast<ledger::RunNumber>(number);
}

}  // namespace slowfilm::bench
