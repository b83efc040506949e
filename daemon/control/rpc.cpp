#include "daemon/control/rpc.hpp"

#include "daemon/core/json.hpp"
#include "daemon/core/text.hpp"

#include <utility>

namespace slowfilm::control {

namespace json = boost::json;

void LineSplitter::feed(std::string_view bytes) {
    if (begin_ > 0) {
        held_.erase(0, begin_);
        scanned_ -= begin_;
        begin_ = 0;
    }
    held_.append(bytes);
}

std::optional<LineSplitter::Line> LineSplitter::next() {
    for (;;) {
        const std::size_t newline = held_.find('\n', scanned_);
        const bool ended = newline != std::string::npos;
        const std::size_t end = ended ? newline : held_.size();
        if (skipping_) {
            skipped_ += end - begin_;
            begin_ = ended ? end + 1 : end;
            scanned_ = begin_;
            skipping_ = !ended;
            if (!ended) {
                return std::nullopt;
            }
            continue;
        }
        if (end - begin_ > most_) {
            skipping_ = true;
            return Line{.text = {}, .too_long = true};
        }
        if (!ended) {
            scanned_ = end;
            return std::nullopt;
        }
        Line line{.text = held_.substr(begin_, end - begin_), .too_long = false};
        begin_ = end + 1;
        scanned_ = begin_;
        return line;
    }
}

namespace {

tl::unexpected<RpcError> refuse(RpcCode code, std::string message, json::value id = nullptr) {
    return tl::unexpected<RpcError>{RpcError{code, std::move(message), std::move(id)}};
}

bool may_be_id(const json::value& value) {
    return value.is_string() || value.is_number() || value.is_null();
}

std::string to_line(const json::object& object) {
    std::string line = to_json_text(object);
    line += '\n';
    return line;
}

json::object envelope() {
    json::object object;
    object["jsonrpc"] = "2.0";
    return object;
}

json::object error_object(std::int64_t code, std::string_view message) {
    json::object error;
    error["code"] = code;
    error["message"] = message;
    return error;
}

}  // namespace

tl::expected<RpcRequest, RpcError> parse_request(std::string_view line) {
    auto parsed = parse_json(line);
    if (!parsed) {
        return refuse(RpcCode::parse_error, "the line is not JSON: " + parsed.error().message);
    }
    if (parsed->is_array()) {
        return refuse(RpcCode::invalid_request, "batches are not taken; send one request object a line");
    }
    json::object* const object = parsed->if_object();
    if (object == nullptr) {
        return refuse(RpcCode::invalid_request, "a request is an object with jsonrpc, id, method and params");
    }
    RpcRequest request;
    if (const json::value* id = object->if_contains("id")) {
        if (!may_be_id(*id)) {
            return refuse(RpcCode::invalid_request, "id must be a string, a number or null");
        }
        request.id = *id;
    }
    const json::value known_id = request.id.value_or(json::value{});
    const json::value* const version = object->if_contains("jsonrpc");
    if (version == nullptr || !version->is_string() || version->get_string() != "2.0") {
        return refuse(RpcCode::invalid_request, "jsonrpc must be \"2.0\"", known_id);
    }
    const json::value* const method = object->if_contains("method");
    if (method == nullptr || !method->is_string() || method->get_string().empty()) {
        return refuse(RpcCode::invalid_request, "method must be a name, such as \"status\"", known_id);
    }
    request.method = std::string{std::string_view{method->get_string()}};
    if (json::value* params = object->if_contains("params")) {
        if (!params->is_object()) {
            return refuse(RpcCode::invalid_params, "params must be an object of named values", known_id);
        }
        request.params = std::move(params->get_object());
    }
    return request;
}

std::string result_line(const json::value& id, const json::value& result) {
    json::object object = envelope();
    object["id"] = id;
    object["result"] = result;
    return to_line(object);
}

std::string error_line(const json::value& id, const Error& error) {
    json::object object = envelope();
    object["id"] = id;
    object["error"] = error_object(exit_code(error.failure), error.message);
    return to_line(object);
}

std::string error_line(const RpcError& error) {
    json::object object = envelope();
    object["id"] = error.id;
    object["error"] = error_object(static_cast<std::int64_t>(error.code), error.message);
    return to_line(object);
}

std::string request_line(std::uint64_t id, std::string_view method, const json::object& params) {
    json::object object = envelope();
    object["id"] = id;
    object["method"] = method;
    object["params"] = params;
    return to_line(object);
}

std::string notification_line(std::string_view method, const json::object& params) {
    json::object object = envelope();
    object["method"] = method;
    object["params"] = params;
    return to_line(object);
}

}  // namespace slowfilm::control
