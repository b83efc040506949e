#include "daemon/protocol/print.hpp"

#include "daemon/core/text.hpp"
#include "daemon/protocol/parse.hpp"
#include "tests/daemon/protocol/any_protocol.hpp"

#include <algorithm>

#include <rapidcheck.h>
#include <rapidcheck/gtest.h>

namespace slowfilm::protocol {
namespace {

using generated::any_protocol;

RC_GTEST_PROP(Print, what_is_printed_parses_to_the_same_protocol, ()) {
    const Protocol protocol = any_protocol();
    const std::string text = to_toml(protocol);
    const Parsed parsed = parse_protocol("printed.toml", text);
    RC_LOG() << text << render(parsed.diagnostics, text);
    RC_ASSERT(parsed.protocol.has_value());
    RC_ASSERT(parsed.diagnostics.items.empty());
    RC_ASSERT(*parsed.protocol == protocol);
}

RC_GTEST_PROP(Print, printing_twice_gives_the_same_text, ()) {
    const std::string text = to_toml(any_protocol());
    const Parsed parsed = parse_protocol("printed.toml", text);
    RC_ASSERT(parsed.protocol.has_value());
    RC_ASSERT(to_toml(*parsed.protocol) == text);
}

std::size_t code_points(std::string_view text) {
    return static_cast<std::size_t>(std::count_if(
        text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
}

// Where the place stands in the text, or behind the last character of its line.
bool inside(std::string_view text, Place place) {
    if (place.line < 1 || place.column < 1) {
        return false;
    }
    for (std::uint32_t line = 1; line < place.line; ++line) {
        const std::size_t end = text.find('\n');
        if (end == std::string_view::npos) {
            return false;
        }
        text.remove_prefix(end + 1);
    }
    // A byte that is no UTF-8 counts as one column, a code point too.
    const std::string_view line = text.substr(0, text.find('\n'));
    return place.column <= std::max(code_points(line), line.size()) + 1;
}

std::string mutated(std::string text) {
    const std::vector<std::string> pieces{"[",
                                          "]",
                                          "[[step.step]]\n",
                                          "{",
                                          "}",
                                          "\"",
                                          "'",
                                          "\"\"\"",
                                          "=",
                                          ".",
                                          ",",
                                          "#",
                                          "\n",
                                          " ",
                                          "4,2",
                                          "nan",
                                          "-inf",
                                          "\\",
                                          "\xE2\x80\x9C",
                                          "\xC3",
                                          "\xFF",
                                          std::string(1, '\0'),
                                          "-",
                                          "0",
                                          "99999999999",
                                          "times",
                                          "step",
                                          "off",
                                          "%",
                                          "C/0",
                                          "e999",
                                          "a.a.a.a.a.a.a.a.a.a."};
    for (int n = *rc::gen::inRange(1, 8); n > 0; --n) {
        const std::size_t at = *rc::gen::inRange<std::size_t>(0, text.size() + 1);
        const std::size_t length = *rc::gen::inRange<std::size_t>(0, 40);
        switch (*rc::gen::inRange(0, 4)) {
            case 0: text.erase(at, length); break;
            case 1: text.insert(at, *rc::gen::elementOf(pieces)); break;
            case 2: text.insert(at, text.substr(*rc::gen::inRange<std::size_t>(0, text.size() + 1), length)); break;
            default: text.replace(at, std::min<std::size_t>(1, text.size() - at), *rc::gen::elementOf(pieces)); break;
        }
    }
    return text;
}

RC_GTEST_PROP(ParseMutated, never_crashes_and_every_complaint_has_a_place_in_the_file, ()) {
    const std::string text = mutated(to_toml(any_protocol()));
    const Parsed parsed = parse_protocol("mutated.toml", text);
    RC_LOG() << text << "\n" << render(parsed.diagnostics, text);
    RC_ASSERT(parsed.protocol.has_value() == !parsed.diagnostics.has_errors());
    for (const Diagnostic& item : parsed.diagnostics.items) {
        RC_ASSERT(inside(text, item.place));
        RC_ASSERT(!item.message.empty());
        RC_ASSERT(escaped(item.message, item.message.size() + 1) == item.message);
    }
}

// What a mutation leaves readable is a protocol like any other.
RC_GTEST_PROP(ParseMutated, what_is_still_read_prints_and_parses_to_itself, ()) {
    const Parsed parsed = parse_protocol("mutated.toml", mutated(to_toml(any_protocol())));
    if (parsed.protocol) {
        const Parsed again = parse_protocol("printed.toml", to_toml(*parsed.protocol));
        RC_ASSERT(again.protocol.has_value());
        RC_ASSERT(*again.protocol == *parsed.protocol);
    }
}

}  // namespace
}  // namespace slowfilm::protocol
