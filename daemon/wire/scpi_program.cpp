#include "daemon/wire/scpi_program.hpp"

#include "daemon/core/ensure.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <optional>
#include <system_error>

namespace slowfilm::wire {

namespace {

constexpr std::size_t nodes_most = 16;

// IEEE 488.2 white space: every control character but LF, and the space.
bool is_space(char c) {
    return static_cast<unsigned char>(c) <= 0x20 && c != '\n';
}

std::string_view trimmed(std::string_view text) {
    while (!text.empty() && is_space(text.front())) {
        text.remove_prefix(1);
    }
    while (!text.empty() && is_space(text.back())) {
        text.remove_suffix(1);
    }
    return text;
}

// Pieces between `separator`s that are not inside "..." or '...'.
std::vector<std::string_view> split_outside_quotes(std::string_view text, char separator) {
    std::vector<std::string_view> pieces;
    char quote = 0;
    std::size_t begin = 0;
    for (std::size_t at = 0; at < text.size(); ++at) {
        const char c = text[at];
        if (quote != 0) {
            quote = c == quote ? '\0' : quote;
        } else if (c == '"' || c == '\'') {
            quote = c;
        } else if (c == separator) {
            pieces.push_back(text.substr(begin, at - begin));
            begin = at + 1;
        }
    }
    pieces.push_back(text.substr(begin));
    return pieces;
}

char upper(char c) {
    return c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c;
}

bool same_word(std::string_view pattern, std::string_view word) {
    return std::equal(pattern.begin(), pattern.end(), word.begin(), word.end(),
                      [](char a, char b) { return upper(a) == upper(b); });
}

// The exact long form, or the exact short one: the word's capitals, digits and '*'.
bool word_matches(std::string_view node, std::string_view word) {
    const auto lower = std::find_if(node.begin(), node.end(), [](char c) { return c >= 'a' && c <= 'z'; });
    return same_word(node, word) || same_word({node.begin(), lower}, word);
}

struct Node {
    std::string_view word;
    bool optional{false};
};

struct Nodes {
    std::array<Node, nodes_most> items{};
    std::size_t count{0};
};

// "[SOURce:]VOLTage[:LEVel]" as nodes; nothing where there are too many.
std::optional<Nodes> nodes_of(std::string_view path) {
    Nodes nodes;
    bool optional = false;
    while (!path.empty()) {
        const std::size_t end = std::min(path.find_first_of("[]:"), path.size());
        if (end > 0) {
            if (nodes.count == nodes_most) {
                return std::nullopt;
            }
            nodes.items[nodes.count++] = {path.substr(0, end), optional};
        }
        if (end == path.size()) {
            break;
        }
        optional = path[end] == '[' || (optional && path[end] != ']');
        path.remove_prefix(end + 1);
    }
    return nodes;
}

// Words of a header: between colons, none of them empty.
std::optional<Nodes> words_of(std::string_view header) {
    Nodes words;
    while (true) {
        const std::size_t end = std::min(header.find(':'), header.size());
        if (end == 0 || words.count == nodes_most) {
            return std::nullopt;
        }
        words.items[words.count++] = {header.substr(0, end)};
        if (end == header.size()) {
            return words;
        }
        header.remove_prefix(end + 1);
    }
}

}  // namespace

std::vector<ProgramCommand> split_program(std::string_view message) {
    std::vector<ProgramCommand> commands;
    std::string path;  // of the subtree, with its ':' at the end
    for (std::string_view piece : split_outside_quotes(message, ';')) {
        piece = trimmed(piece);
        const auto space = static_cast<std::size_t>(std::find_if(piece.begin(), piece.end(), is_space) - piece.begin());
        std::string_view header = piece.substr(0, space);
        if (header.starts_with(':')) {
            path.clear();
            header.remove_prefix(1);
        }
        if (header.empty()) {
            continue;
        }
        ProgramCommand command;
        const bool common = header.front() == '*';
        command.header = common ? std::string{header} : path + std::string{header};
        if (!common) {
            path = command.header.substr(0, command.header.rfind(':') + 1);  // npos + 1 is 0: the root
        }
        if (const std::string_view rest = trimmed(piece.substr(space)); !rest.empty()) {
            for (const std::string_view parameter : split_outside_quotes(rest, ',')) {
                command.parameters.emplace_back(trimmed(parameter));
            }
        }
        commands.push_back(std::move(command));
    }
    return commands;
}

bool header_matches(std::string_view pattern, std::string_view header) {
    if (pattern.ends_with('?') != header.ends_with('?')) {
        return false;
    }
    if (pattern.ends_with('?')) {
        pattern.remove_suffix(1);
        header.remove_suffix(1);
    }
    header.remove_prefix(header.starts_with(':') ? 1 : 0);
    const auto nodes = nodes_of(pattern);
    const auto words = words_of(header);
    if (!nodes || !words) {
        return false;
    }
    // reached[w]: the nodes so far can stand for the first w words.
    std::array<bool, nodes_most + 1> reached{true};
    for (std::size_t n = 0; n < nodes->count; ++n) {
        const Node& node = nodes->items[n];
        std::array<bool, nodes_most + 1> next{};
        for (std::size_t w = 0; w <= words->count; ++w) {
            const bool taken = w > 0 && reached[w - 1] && word_matches(node.word, words->items[w - 1].word);
            next[w] = taken || (node.optional && reached[w]);
        }
        reached = next;
    }
    return reached[words->count];
}

std::string print_nr3(double value, int decimals) {
    if (std::isnan(value)) {
        return "+9.91E+37";
    }
    if (std::isinf(value)) {
        return value > 0 ? "+9.9E+37" : "-9.9E+37";
    }
    std::array<char, 64> buffer{};
    const auto [end, error] = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value,
                                            std::chars_format::scientific, std::clamp(decimals, 0, 17));
    ENSURE(error == std::errc{});
    std::string text{buffer.data(), end};
    std::replace(text.begin(), text.end(), 'e', 'E');
    return text.starts_with('-') ? text : "+" + text;
}

}  // namespace slowfilm::wire
