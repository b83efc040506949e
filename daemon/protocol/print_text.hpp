// How single values and inline tables are written; part of print.cpp.
#pragma once

#include "daemon/protocol/protocol.hpp"

#include <array>
#include <charconv>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

namespace slowfilm::protocol::printed {

// A TOML basic string.
inline std::string quoted(std::string_view text) {
    constexpr std::string_view hex = "0123456789ABCDEF";
    std::string result{'"'};
    for (const char c : text) {
        const auto byte = static_cast<unsigned char>(c);
        if (c == '"' || c == '\\') {
            result += '\\';
            result += c;
        } else if (c == '\n') {
            result += "\\n";
        } else if (c == '\t') {
            result += "\\t";
        } else if (byte < 0x20U || byte == 0x7FU) {
            result += "\\u00";
            result += hex[byte >> 4U];
            result += hex[byte & 0x0FU];
        } else {
            result += c;
        }
    }
    result += '"';
    return result;
}

template <Dimension D>
inline std::string text_of(Quantity<D> value) {
    return quoted(print(value));
}
inline std::string text_of(const CurrentOrRate& value) {
    return quoted(print(value));
}
inline std::string text_of(const ChargeOrRatio& value) {
    return quoted(print(value));
}
inline std::string text_of(const std::variant<Current, Ratio>& value) {
    return std::visit([](const auto& each) { return quoted(print(each)); }, value);
}
inline std::string text_of(const std::string& value) {
    return quoted(value);
}
inline std::string text_of(std::uint32_t value) {
    return std::to_string(value);
}

template <class Value>
inline std::string text_of(const OfCapacity<Value>& share) {
    return quoted(print(share));
}
inline std::string text_of(bool value) {
    return value ? "true" : "false";
}
// The shortest text that reads back as the same double; TOML's number needs no point.
inline std::string text_of(double value) {
    std::array<char, 32> text{};
    const auto end = std::to_chars(text.data(), text.data() + text.size(), value);
    return {text.data(), end.ptr};
}
inline std::string text_of(const std::vector<Duration>& times) {
    std::string list;
    for (const Duration time : times) {
        list += (list.empty() ? "" : ", ") + text_of(time);
    }
    return "[" + list + "]";
}

// { a = ..., b = ... }
class Braces {
  public:
    template <class V>
    Braces& put(std::string_view key, const std::optional<V>& value) {
        if (value) {
            add(key, text_of(*value));
        }
        return *this;
    }
    void add(std::string_view key, const std::string& value) {
        inside_ += (inside_.empty() ? " " : ", ") + std::string{key} + " = " + value;
    }
    [[nodiscard]] bool empty() const { return inside_.empty(); }
    [[nodiscard]] std::string text() const { return empty() ? "{}" : "{" + inside_ + " }"; }

  private:
    std::string inside_;
};

}  // namespace slowfilm::protocol::printed
