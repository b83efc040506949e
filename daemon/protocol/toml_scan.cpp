#include "daemon/protocol/toml_scan.hpp"

#include "daemon/core/text.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <array>
#include <cstdint>

namespace slowfilm::protocol::detail {
namespace {

// Follows the grammar of TOML as far as brackets, keys, strings and comments go. Where the text stops being TOML the
// parser stops too, so the rest needs only the crude bound on dots per line.
class Scanner {
  public:
    Scanner(std::string_view text, bool remember) : text_(text), remember_(remember) {
        at_ = text.starts_with("\xEF\xBB\xBF") ? 3 : 0;
    }

    Scan run() {
        while (!done() && !result_.refused) {
            if (!statement()) {
                break;
            }
        }
        if (!result_.refused) {
            bound_dots();
        }
        return std::move(result_);
    }

  private:
    struct Frame {
        bool table;
        std::size_t depth;
        std::size_t scope;
    };

    [[nodiscard]] bool done() const { return at_ >= text_.size(); }
    [[nodiscard]] char peek(std::size_t ahead = 0) const {
        return at_ + ahead < text_.size() ? text_[at_ + ahead] : '\0';
    }
    void step() {
        const auto byte = static_cast<unsigned char>(text_[at_]);
        if (byte == '\n') {
            ++place_.line;
            place_.column = 1;
        } else if ((byte & 0xC0U) != 0x80U) {
            ++place_.column;
        }
        ++at_;
    }
    void skip(std::size_t bytes) {
        for (std::size_t i = 0; i < bytes && !done(); ++i) {
            step();
        }
    }
    void skip_blanks() {
        while (peek() == ' ' || peek() == '\t') {
            step();
        }
    }
    void skip_comment() {
        if (peek() == '#') {
            while (!done() && peek() != '\n') {
                step();
            }
        }
    }
    void skip_lines() {
        while (!done()) {
            skip_blanks();
            skip_comment();
            if (peek() == '\r' && peek(1) == '\n') {
                step();
            }
            if (peek() != '\n') {
                return;
            }
            step();
        }
    }
    bool end_of_line() {
        skip_blanks();
        skip_comment();
        if (peek() == '\r' && peek(1) == '\n') {
            step();
        }
        if (done()) {
            return true;
        }
        if (peek() != '\n') {
            return false;
        }
        step();
        return true;
    }

    bool refuse(std::string message) {
        result_.refused = Diagnostic{Severity::error, place_, std::move(message)};
        return false;
    }
    bool bound(std::size_t depth, Place where) {
        if (depth <= toml_depth_max) {
            return true;
        }
        place_ = where;
        return refuse("nested deeper than " + std::to_string(toml_depth_max) +
                      " levels of keys, braces and brackets; make it flat");
    }

    // A heading or a key = value, to the end of its line.
    bool statement() {
        skip_lines();
        if (done()) {
            return true;
        }
        if (peek() == '[') {
            return heading();
        }
        frames_.assign(1, Frame{true, heading_depth_, scope_});
        return key_and_equals() && value() && rest_of_value() && end_of_line();
    }

    bool heading() {
        Statement statement{.place = place_, .key = {}, .heading = true, .value_place = {}};
        step();
        if (peek() == '[') {
            statement.list = true;
            step();
        }
        const std::size_t brackets = statement.list ? 2 : 1;
        std::size_t parts = 0;
        if (!key(statement.key, parts)) {
            return false;
        }
        heading_depth_ = parts;
        scope_ = ++scopes_;
        if (remember_) {
            result_.statements.push_back(std::move(statement));
        }
        for (std::size_t i = 0; i < brackets; ++i) {
            if (peek() != ']') {
                return false;
            }
            step();
        }
        return end_of_line();
    }

    bool key_and_equals() {
        Statement statement{
            .place = place_, .key = {}, .scope = frames_.back().scope, .key_begin = at_, .value_place = {}};
        std::size_t parts = 0;
        const bool good = key(statement.key, parts);
        if (result_.refused || !bound(frames_.back().depth + parts, statement.place)) {
            return false;
        }
        value_depth_ = frames_.back().depth + parts;
        const bool equals = good && peek() == '=';
        if (equals) {
            step();
            skip_blanks();
            statement.has_equals = true;
            statement.value_begin = at_;
            statement.value_place = place_;
        }
        if (remember_) {
            result_.statements.push_back(std::move(statement));
        }
        return equals;
    }

    // A dotted key; leaves the blanks after it behind.
    bool key(std::string& name, std::size_t& parts) {
        while (true) {
            skip_blanks();
            if (++parts > toml_depth_max) {
                return refuse("a key of more than " + std::to_string(toml_depth_max) +
                              " parts; a key has one or a few, such as limits.voltage_max");
            }
            if (!key_part(name)) {
                return false;
            }
            skip_blanks();
            if (peek() != '.') {
                return true;
            }
            step();
            if (remember_) {
                name += '.';
            }
        }
    }

    bool key_part(std::string& name) {
        const std::size_t begin = at_;
        if (peek() == '"' || peek() == '\'') {
            if (!short_string()) {
                return false;
            }
            if (remember_) {
                name += text_.substr(begin + 1, at_ - begin - 2);
            }
            return true;
        }
        while (is_bare(peek())) {
            step();
        }
        if (remember_) {
            name += text_.substr(begin, at_ - begin);
        }
        return at_ > begin;
    }
    static bool is_bare(char c) {
        return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '_' || c == '-';
    }

    bool short_string() {
        const char quote = peek();
        step();
        while (!done() && peek() != '\n') {
            if (peek() == '\\' && quote == '"') {
                step();
                if (!done() && peek() != '\n') {
                    step();
                }
                continue;
            }
            const bool closes = peek() == quote;
            step();
            if (closes) {
                return true;
            }
        }
        return false;
    }

    // Up to two quotes may stand right before the closing three.
    bool long_string() {
        const char quote = peek();
        skip(3);
        while (!done()) {
            if (peek() == '\\' && quote == '"') {
                skip(2);
                continue;
            }
            if (peek() == quote && peek(1) == quote && peek(2) == quote) {
                skip(3);
                for (int i = 0; i < 2 && peek() == quote; ++i) {
                    step();
                }
                return true;
            }
            step();
        }
        return false;
    }

    // A string or a bare value, or the opening of an array or a table.
    bool value() {
        skip_blanks();
        const char c = peek();
        if (c == '[' || c == '{') {
            if (!bound(value_depth_ + 1, place_)) {
                return false;
            }
            frames_.push_back(Frame{c == '{', value_depth_ + 1, c == '{' ? ++scopes_ : 0});
            opened_ = true;
            step();
            return true;
        }
        if (c == '"' || c == '\'') {
            return peek(1) == c && peek(2) == c ? long_string() : short_string();
        }
        const std::size_t begin = at_;
        bare_word();
        const bool date = at_ == begin + 10 && text_[begin + 4] == '-' && text_[begin + 7] == '-';
        if (date && peek() == ' ' && peek(1) >= '0' && peek(1) <= '9') {  // a date and a time may have a blank between
            step();
            bare_word();
        }
        return at_ > begin;
    }
    void bare_word() {
        while (!done() && std::string_view{",]}# \t\r\n"}.find(peek()) == std::string_view::npos) {
            step();
        }
    }

    // What follows a value until all that it opened is closed.
    bool rest_of_value() {
        while (frames_.size() > 1) {
            const bool table = frames_.back().table;
            if (table) {
                skip_blanks();
            } else {
                skip_lines();
            }
            if (peek() == (table ? '}' : ']')) {
                step();
                frames_.pop_back();
                opened_ = false;
                continue;
            }
            if (!opened_) {
                if (peek() != ',') {
                    return false;
                }
                step();
                if (!table) {
                    skip_lines();
                    if (peek() == ']') {
                        continue;
                    }
                } else {
                    skip_blanks();
                }
            }
            opened_ = false;
            value_depth_ = frames_.back().depth;
            if ((table && !key_and_equals()) || !value()) {
                return false;
            }
        }
        return true;
    }

    void bound_dots() {
        std::size_t dots = 0;
        while (!done()) {
            if (peek() == '\n') {
                dots = 0;
            } else if (peek() == '.' && ++dots > toml_depth_max) {
                refuse("more than " + std::to_string(toml_depth_max) +
                       " dots in a line that is not TOML; a key has one part or a few");
                return;
            }
            step();
        }
    }

    std::string_view text_;
    bool remember_;
    std::size_t at_{0};
    Place place_;
    std::vector<Frame> frames_;
    std::size_t heading_depth_{0};
    std::size_t value_depth_{0};
    std::size_t scope_{0};
    std::size_t scopes_{0};
    bool opened_{false};
    Scan result_;
};

// Of the byte at `bound`; continuation bytes of UTF-8 do not count as columns.
Place first_place_beyond(std::string_view text, std::size_t bound) {
    Place place;
    for (const char byte : text.substr(0, bound)) {
        if (byte == '\n') {
            ++place.line;
            place.column = 1;
        } else if ((static_cast<unsigned char>(byte) & 0xC0U) != 0x80U) {
            ++place.column;
        }
    }
    return place;
}

}  // namespace

Scan scan(std::string_view text, bool remember) {
    Scan result;
    if (text.size() > toml_bytes_max) {
        result.refused = Diagnostic{
            Severity::error, first_place_beyond(text, toml_bytes_max),
            "the text is longer than " + std::to_string(toml_bytes_max) + " bytes (1 MiB); nobody writes that by hand"};
        return result;
    }
    result.refused = find_bad_bytes(text);
    if (result.refused) {
        return result;
    }
    return Scanner{text, remember}.run();
}

}  // namespace slowfilm::protocol::detail
