#include "daemon/channel/profile_line.hpp"

#include "daemon/core/text.hpp"

#include <algorithm>

namespace slowfilm::channel::detail {
namespace {

using protocol::Need;
using protocol::Table;

constexpr std::size_t line_bytes_max = 200;
constexpr std::string_view value_word = "{value}";
constexpr std::string_view channel_word = "{channel}";

std::size_t count_of(std::string_view text, std::string_view word) {
    std::size_t count = 0;
    for (std::size_t at = text.find(word); at != std::string_view::npos; at = text.find(word, at + word.size())) {
        ++count;
    }
    return count;
}

std::string without_words(std::string text) {
    for (const std::string_view word : {value_word, channel_word}) {
        for (std::size_t at = text.find(word); at != std::string::npos; at = text.find(word)) {
            text.erase(at, word.size());
        }
    }
    return text;
}

// Why the line cannot be used so, as a phrase that follows its key; "" when it can.
std::string fault_of(const std::string& text, LineUse use) {
    if (text.empty() || text.size() > line_bytes_max) {
        return "needs 1 to " + std::to_string(line_bytes_max) + " characters";
    }
    if (!std::all_of(text.begin(), text.end(), [](char c) { return c >= 0x20 && c <= 0x7e; })) {
        return "may hold printable ASCII only; its end is added when it is sent";
    }
    if (without_words(text).find_first_of("{}") != std::string::npos) {
        return "has a brace that is no placeholder; there are {value} and {channel}";
    }
    const bool asks = text.find('?') != std::string::npos;
    if (use == LineUse::question && !asks) {
        return "is a question and needs a question mark, such as \"OUTP?\"";
    }
    if (use != LineUse::question && asks) {
        return "is a command, to which no answer is awaited, and may not ask";
    }
    const std::size_t values = count_of(text, value_word);
    if (use == LineUse::setting && values != 1) {
        return "sets a number and needs {value} in it once, such as \"VOLT {value}\"";
    }
    if (use != LineUse::setting && values != 0) {
        return "sets no number, so {value} means nothing in it";
    }
    return "";
}

std::string_view example_of(LineUse use) {
    switch (use) {
        case LineUse::command: return "OUTP OFF";
        case LineUse::question: return "OUTP?";
        case LineUse::setting: return "VOLT {value}";
    }
    return "";
}

}  // namespace

LineText read_line(Table& table, std::string_view key, LineUse use, Need need) {
    LineText line;
    line.place = table.place_of(key);
    const std::optional<std::string> text = table.text(key, need);
    if (!text) {
        return line;
    }
    if (const std::string fault = fault_of(*text, use); !fault.empty()) {
        table.error(line.place, "'" + std::string(key) + "' " + fault +
                                    (text->empty() ? ", such as \"" + std::string(example_of(use)) + "\"" : ""));
        return line;
    }
    line.text = *text;
    return line;
}

std::string filled(const LineText& line, std::string_view channel, std::string_view value) {
    std::string text = line.text;
    const auto fill = [&text](std::string_view word, std::string_view with) {
        for (std::size_t at = text.find(word); at != std::string::npos; at = text.find(word, at + with.size())) {
            text.replace(at, word.size(), with);
        }
    };
    fill(channel_word, channel);
    fill(value_word, value);
    return text;
}

}  // namespace slowfilm::channel::detail
