#include "daemon/core/json.hpp"

#include "daemon/core/text.hpp"

#include <algorithm>
#include <boost/json/parser.hpp>
#include <cmath>

namespace slowfilm {

namespace json = boost::json;

namespace {

constexpr std::size_t depth_most = 32;

class Printer {
  public:
    explicit Printer(bool pretty) : pretty_{pretty} {}

    void value(const json::value& value) {
        switch (value.kind()) {
            case json::kind::null: out_ += "null"; return;
            case json::kind::bool_: out_ += value.get_bool() ? "true" : "false"; return;
            case json::kind::int64: out_ += std::to_string(value.get_int64()); return;
            case json::kind::uint64: out_ += std::to_string(value.get_uint64()); return;
            case json::kind::double_: out_ += print_number(value.get_double()); return;
            case json::kind::string: string(value.get_string()); return;
            case json::kind::array: array(value.get_array()); return;
            case json::kind::object: object(value.get_object()); return;
        }
    }
    [[nodiscard]] std::string take() && { return std::move(out_); }

  private:
    void array(const json::array& items) {
        open('[');
        for (const json::value& item : items) {
            next(&item == items.begin());
            value(item);
        }
        close(']', items.empty());
    }
    void object(const json::object& members) {
        open('{');
        for (const json::key_value_pair& member : members) {
            next(&member == members.begin());
            string(member.key());
            out_ += pretty_ ? ": " : ":";
            value(member.value());
        }
        close('}', members.empty());
    }
    void string(std::string_view text) {
        constexpr std::string_view hex_digits = "0123456789abcdef";
        out_ += '"';
        for (const char c : valid_utf8(text)) {
            const auto byte = static_cast<unsigned char>(c);
            switch (c) {
                case '"': out_ += "\\\""; break;
                case '\\': out_ += "\\\\"; break;
                case '\n': out_ += "\\n"; break;
                case '\r': out_ += "\\r"; break;
                case '\t': out_ += "\\t"; break;
                default:
                    if (byte < 0x20) {
                        out_ += "\\u00";
                        out_ += hex_digits[byte >> 4U];
                        out_ += hex_digits[byte & 0x0FU];
                    } else {
                        out_ += c;
                    }
            }
        }
        out_ += '"';
    }
    void open(char bracket) {
        out_ += bracket;
        ++depth_;
    }
    void next(bool first) {
        out_ += first ? "" : ",";
        line();
    }
    void close(char bracket, bool empty) {
        --depth_;
        if (!empty) {
            line();
        }
        out_ += bracket;
    }
    void line() {
        if (pretty_) {
            out_ += '\n';
            out_.append(2 * depth_, ' ');
        }
    }

    bool pretty_;
    std::size_t depth_{0};
    std::string out_;
};

// Boost.JSON reads 1e400 as infinity.
bool all_finite(const json::value& value) {
    switch (value.kind()) {
        case json::kind::double_: return std::isfinite(value.get_double());
        case json::kind::array: return std::all_of(value.get_array().begin(), value.get_array().end(), all_finite);
        case json::kind::object:
            return std::all_of(value.get_object().begin(), value.get_object().end(),
                               [](const json::key_value_pair& member) { return all_finite(member.value()); });
        case json::kind::null:
        case json::kind::bool_:
        case json::kind::int64:
        case json::kind::uint64:
        case json::kind::string: return true;
    }
    return true;
}

std::string print_as(const json::value& value, bool pretty) {
    Printer printer{pretty};
    printer.value(value);
    return std::move(printer).take();
}

}  // namespace

std::string to_json_text(const json::value& value) {
    return print_as(value, false);
}

std::string to_json_pretty(const json::value& value) {
    return print_as(value, true) + "\n";
}

Result<json::value> parse_json(std::string_view text) {
    json::parse_options options;
    options.max_depth = depth_most;
    try {
        json::parser parser{{}, options};
        json::error_code error;
        const std::size_t used = parser.write(text, error);
        if (error) {
            return fail(Failure::bad_data, "not JSON at byte " + std::to_string(used + 1) + ": " + error.message());
        }
        json::value value = parser.release();
        if (!all_finite(value)) {
            return fail(Failure::bad_data, "this JSON has a number that is too large for a double");
        }
        return value;
    } catch (const std::exception& error) {
        return fail(Failure::bad_data, std::string{"this JSON cannot be read: "} + error.what());
    }
}

}  // namespace slowfilm
