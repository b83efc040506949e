// JSON-RPC 2.0 as text, without a socket: lines in, requests out; answers in, lines out.
#pragma once

#include "daemon/core/result.hpp"

#include <boost/json/object.hpp>
#include <boost/json/value.hpp>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <tl/expected.hpp>

namespace slowfilm::control {

// The codes JSON-RPC 2.0 reserves. Our own failures carry their exit code instead, which is outside that range.
enum class RpcCode : std::int64_t {
    parse_error = -32700,
    invalid_request = -32600,
    method_not_found = -32601,
    invalid_params = -32602,
};

// Cuts a stream of bytes into lines, whatever pieces it comes in. Holds at most `most` bytes and the last piece; a
// longer line is reported once, as soon as it is too long, and the rest of it is skipped.
class LineSplitter {
  public:
    explicit LineSplitter(std::size_t most) : most_{most} {}

    struct Line {
        std::string text;
        bool too_long{false};
    };

    void feed(std::string_view bytes);
    [[nodiscard]] std::optional<Line> next();
    // Bytes of a line that was too long, thrown away so far.
    [[nodiscard]] std::size_t skipped() const { return skipped_; }

  private:
    std::size_t most_;
    std::string held_;
    std::size_t begin_{0};    // of the first line in held_
    std::size_t scanned_{0};  // no newline between begin_ and here
    std::size_t skipped_{0};
    bool skipping_{false};
};

struct RpcRequest {
    std::optional<boost::json::value> id;  // absent: a notification, never answered
    std::string method;
    boost::json::object params;
};

struct RpcError {
    RpcCode code{RpcCode::invalid_request};
    std::string message;
    boost::json::value id;  // null where it could not be told
};

// One line as one request. Batches are refused: a client of ours sends one request a line.
[[nodiscard]] tl::expected<RpcRequest, RpcError> parse_request(std::string_view line);

// Each ends with a newline and holds no other.
[[nodiscard]] std::string result_line(const boost::json::value& id, const boost::json::value& result);
[[nodiscard]] std::string error_line(const boost::json::value& id, const Error& error);
[[nodiscard]] std::string error_line(const RpcError& error);
[[nodiscard]] std::string request_line(std::uint64_t id, std::string_view method, const boost::json::object& params);
[[nodiscard]] std::string notification_line(std::string_view method, const boost::json::object& params);

}  // namespace slowfilm::control
