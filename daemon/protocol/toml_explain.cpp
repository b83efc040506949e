#include "daemon/protocol/toml_explain.hpp"

#include "daemon/core/text.hpp"
#include "daemon/protocol/toml_scan.hpp"

#include <algorithm>
#include <array>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::protocol::detail {
namespace {

constexpr std::array<std::string_view, 9> typographic_quotes{"\u201C", "\u201D", "\u201E", "\u2018", "\u2019",
                                                             "\u201A", "\u00AB", "\u00BB", "\u2033"};

bool digit(char c) {
    return c >= '0' && c <= '9';
}

std::string_view trimmed(std::string_view text) {
    const std::size_t first = text.find_first_not_of(" \t\r");
    if (first == std::string_view::npos) {
        return {};
    }
    return text.substr(first, text.find_last_not_of(" \t\r") - first + 1);
}

std::string quoted(std::string_view text) {
    return '"' + escaped(text, 60) + '"';
}

std::optional<std::string_view> leading_quote(std::string_view text) {
    for (const std::string_view quote : typographic_quotes) {
        if (text.starts_with(quote)) {
            return quote;
        }
    }
    return std::nullopt;
}

// The text between typographic quotes, with plain ones.
std::string straightened(std::string_view value) {
    value.remove_prefix(leading_quote(value)->size());
    std::size_t end = value.size();
    for (const std::string_view quote : typographic_quotes) {
        end = std::min(end, value.find(quote));
    }
    return quoted(trimmed(value.substr(0, end)));
}

// "4,25 V" out of `4,25 V, max = 3}`: a decimal comma and what follows it, up to the next comma or brace.
std::optional<std::string> decimal_comma(std::string_view value) {
    std::size_t i = !value.empty() && (value[0] == '-' || value[0] == '+') ? 1 : 0;
    const std::size_t first = i;
    while (i < value.size() && digit(value[i])) {
        ++i;
    }
    if (i == first || i + 1 >= value.size() || value[i] != ',' || !digit(value[i + 1])) {
        return std::nullopt;
    }
    const std::string_view rest = value.substr(i + 1);
    std::string number{value.substr(0, i)};
    number += '.';
    number += trimmed(rest.substr(0, rest.find_first_of(",}]#\n")));
    return number;
}

std::string place_text(Place place) {
    return "line " + std::to_string(place.line);
}

// Headings and keys that claim the same name.
bool overlap(const Statement& a, const Statement& b) {
    const std::string& shorter = a.key.size() < b.key.size() ? a.key : b.key;
    const std::string& longer = a.key.size() < b.key.size() ? b.key : a.key;
    return a.scope == b.scope && longer.starts_with(shorter) &&
           (longer.size() == shorter.size() || longer[shorter.size()] == '.');
}

std::string heading_text(const Statement& statement) {
    const std::string key = escaped(statement.key, 60);
    return statement.list ? "[[" + key + "]]" : "[" + key + "]";
}

Diagnostic twice(const std::vector<Statement>& statements, std::size_t second) {
    const Statement& now = statements[second];
    const Statement* before = nullptr;
    for (std::size_t i = 0; i < second; ++i) {
        if (overlap(statements[i], now)) {
            before = &statements[i];
        }
    }
    const std::string key = escaped(now.key, 60);
    if (before == nullptr) {
        return {Severity::error, now.place, "'" + key + "' is written twice; keep one"};
    }
    const std::string first = " in " + place_text(before->place);
    if (!now.heading) {
        return {Severity::error, now.place, "'" + key + "' is written twice: first" + first + ", again here; keep one"};
    }
    if (now.list && (!before->list || !before->heading)) {
        const std::string as = before->heading ? heading_text(*before) : "'" + before->key + " ='";
        return {Severity::error, now.place,
                heading_text(now) + " here, but " + as + first + "; write [[" + key + "]] each time"};
    }
    return {
        Severity::error, now.place,
        heading_text(now) + " is written twice: first" + first + ", again here; put all its keys under one heading"};
}

std::string without_prefix(std::string_view parser_says) {
    constexpr std::string_view prefix = "Error while parsing ";
    if (parser_says.starts_with(prefix)) {
        const std::size_t colon = parser_says.find(": ");
        if (colon != std::string_view::npos) {
            parser_says.remove_prefix(colon + 2);
        }
    }
    return escaped(parser_says, 200);
}

// A value that stands without quotes.
std::optional<std::string> explain_bare(std::string_view value) {
    value = trimmed(value.substr(0, value.find_first_of("#\n")));
    if (value.empty()) {
        return "the value is missing; write it after the = in the same line";
    }
    if (value.find("\u00A0") != std::string_view::npos && value.front() != '"' && value.front() != '\'') {
        return "a no-break space before the value; write a plain one";
    }
    if (leading_quote(value)) {
        return "typographic quotes around a value; write straight ones: " + straightened(value);
    }
    if (value.front() == '"' || value.front() == '\'' || value.front() == '{' || value.front() == '[') {
        return std::nullopt;
    }
    if (const auto number = decimal_comma(value)) {
        const bool unit = number->find_first_not_of("+-0123456789.") != std::string::npos;
        return "a decimal comma; write a point, the unit, and quotes around both" +
               (unit ? ": " + quoted(*number) : std::string{", such as \"4.25 V\""});
    }
    if (value.find('=') != std::string_view::npos) {
        return "more than one key in a line; give each its own line";
    }
    if (value.back() == ';' || value.back() == ',') {
        return std::string{"nothing may follow the value in its line; remove the '"} + value.back() + "'";
    }
    value = trimmed(value.substr(0, value.find_first_of(",}]")));
    const bool plain = std::all_of(value.begin(), value.end(), [](char c) { return digit(c) || c == '.' || c == '_'; });
    if (value.empty() || plain) {
        return std::nullopt;
    }
    return "the value needs quotes: write " + quoted(value);
}

std::optional<Diagnostic> explain_string(const Statement& statement, std::string_view value,
                                         std::string_view parser_says) {
    if (value.empty() || (value.front() != '"' && value.front() != '\'') ||
        !parser_says.starts_with("Error while parsing string")) {
        return std::nullopt;
    }
    if (parser_says.find("control characters") != std::string_view::npos ||
        parser_says.find("end-of-file") != std::string_view::npos ||
        parser_says.find("newline") != std::string_view::npos ||
        parser_says.find("line break") != std::string_view::npos) {
        return Diagnostic{
            Severity::error, statement.value_place,
            std::string{"this text has no closing quote; end it with "} + (value.front() == '"' ? "a \"" : "a '")};
    }
    return std::nullopt;
}

// `{ min = 2,7 }`: after the comma the parser looks for a key and finds the rest of a number.
std::optional<Diagnostic> explain_comma_in_braces(std::string_view text, const std::vector<Statement>& statements) {
    if (statements.size() < 2 || statements.back().has_equals || statements.back().key_begin == 0) {
        return std::nullopt;
    }
    const Statement& before = statements[statements.size() - 2];
    if (!before.has_equals || text[statements.back().key_begin - 1] != ',') {
        return std::nullopt;
    }
    const auto number = decimal_comma(text.substr(before.value_begin));
    if (!number) {
        return std::nullopt;
    }
    return Diagnostic{Severity::error, before.value_place, *explain_bare(text.substr(before.value_begin))};
}

std::string_view line_at(std::string_view text, std::uint32_t line) {
    for (std::uint32_t i = 1; i < line; ++i) {
        const std::size_t end = text.find('\n');
        text.remove_prefix(end == std::string_view::npos ? text.size() : end + 1);
    }
    return text.substr(0, text.find('\n'));
}

std::uint32_t code_points(std::string_view text) {
    return static_cast<std::uint32_t>(std::count_if(
        text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
}

// The parser may point behind the last line; an editor wants a place that exists.
Place inside(std::string_view text, Place place) {
    const auto lines = static_cast<std::uint32_t>(std::count(text.begin(), text.end(), '\n')) + 1;
    place.line = std::clamp<std::uint32_t>(place.line, 1, lines);
    place.column = std::clamp<std::uint32_t>(place.column, 1, code_points(line_at(text, place.line)) + 1);
    return place;
}

std::optional<Diagnostic> explain_missing_equals(std::string_view text, const Statement& statement) {
    if (statement.heading || statement.has_equals) {
        return std::nullopt;
    }
    const std::string_view rest = text.substr(statement.key_begin);
    const std::string_view line = trimmed(rest.substr(0, rest.find_first_of("#\n")));
    if (leading_quote(line)) {
        return Diagnostic{Severity::error, statement.place,
                          "typographic quotes where a key should begin; keys need no quotes"};
    }
    if (line.starts_with("//") || line.starts_with(';') || line.starts_with("/*")) {
        return Diagnostic{Severity::error, statement.place, "a comment begins with # in TOML"};
    }
    const std::string key = escaped(statement.key, 60);
    if (key.empty() && line.starts_with('}')) {
        return Diagnostic{Severity::error, statement.place, "a comma before the closing }; remove it"};
    }
    if (key.empty()) {
        return Diagnostic{Severity::error, statement.place, "a key should begin here, such as title = \"...\""};
    }
    if (line.size() > statement.key.size() && trimmed(line.substr(statement.key.size())).starts_with(':')) {
        return Diagnostic{Severity::error, statement.place, "after the key '" + key + "' stands a colon; write ="};
    }
    return Diagnostic{Severity::error, statement.place,
                      "after the key '" + key + "' an = and a value must follow in the same line"};
}

}  // namespace

Diagnostic explain_syntax_error(std::string_view text, Place place, std::string_view parser_says) {
    place = inside(text, place);
    std::vector<Statement> statements = scan(text, true).statements;
    while (!statements.empty() && statements.back().place > place) {
        statements.pop_back();
    }
    const bool escape = parser_says.find("escape sequence") != std::string_view::npos;
    const Diagnostic plain{Severity::error, place,
                           "not TOML: " + without_prefix(parser_says) + (escape ? "; write \\\\ for a backslash" : "")};
    if (statements.empty()) {
        return plain;
    }
    const Statement& last = statements.back();
    if (parser_says.find("cannot redefine") != std::string_view::npos ||
        parser_says.find("cannot insert") != std::string_view::npos) {
        return twice(statements, statements.size() - 1);
    }
    if (last.heading) {
        return last.place.line == place.line && parser_says.find("expected ']'") != std::string_view::npos
                   ? Diagnostic{Severity::error, last.place, "this heading is not closed; write " + heading_text(last)}
                   : plain;
    }
    if (const auto comma = explain_comma_in_braces(text, statements)) {
        return *comma;
    }
    if (const auto missing = explain_missing_equals(text, last)) {
        return *missing;
    }
    const std::string_view value = text.substr(last.value_begin);
    if (const auto string = explain_string(last, value, parser_says)) {
        return *string;
    }
    if (last.value_place.line == place.line) {
        if (auto bare = explain_bare(value)) {
            return {Severity::error, last.value_place, std::move(*bare)};
        }
    }
    return plain;
}

}  // namespace slowfilm::protocol::detail
