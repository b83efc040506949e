#include "daemon/wire/scpi.hpp"

#include "daemon/core/decimal.hpp"
#include "daemon/core/ensure.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <utility>

namespace slowfilm::wire {

namespace {

constexpr std::size_t number_longest = 64;
constexpr std::size_t identity_longest = 72;  // IEEE 488.2, 10.14
constexpr std::size_t error_longest = 512;    // SCPI allows 255 characters of text; some send more

// SCPI-1999 vol. 1, 7.2.1: INFinity is 9.9E37, NAN 9.91E37. Bounds, not equality: a float32 inside the instrument
// prints 9.9000003E37 and 9.9099995E37.
constexpr double sentinel = 9.8e37;
constexpr double nan_least = 9.905e37;
constexpr double nan_most = 9.915e37;

tl::unexpected<ReplyFault> fault(ReplyFault kind) {
    return tl::unexpected<ReplyFault>{kind};
}

bool is_space(char c) {
    return c == ' ' || c == '\t';
}

bool is_digit(char c) {
    return c >= '0' && c <= '9';
}

std::string upper(std::string_view text) {
    std::string out{text};
    for (char& c : out) {
        c = c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c;
    }
    return out;
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

// The line without the profile's prefix and the spaces around it.
Result<std::string_view, ReplyFault> body_of(std::string_view line, const ReplyRules& rules, std::size_t longest) {
    line = trimmed(line);
    if (line.empty()) {
        return fault(ReplyFault::empty);
    }
    if (!line.starts_with(rules.prefix)) {
        return fault(ReplyFault::no_prefix);
    }
    line = trimmed(line.substr(rules.prefix.size()));
    if (line.empty()) {
        return fault(ReplyFault::empty);
    }
    if (line.size() > longest + rules.unit.size()) {
        return fault(ReplyFault::too_long);
    }
    return line;
}

std::size_t count_digits(std::string_view text) {
    return static_cast<std::size_t>(std::find_if_not(text.begin(), text.end(), is_digit) - text.begin());
}

// How many characters at the front are a number: sign, digits with at most one point, exponent. 0: none are.
std::size_t number_length(std::string_view text) {
    std::size_t at = !text.empty() && (text.front() == '+' || text.front() == '-') ? 1 : 0;
    const std::size_t whole = count_digits(text.substr(at));
    at += whole;
    std::size_t fraction = 0;
    if (at < text.size() && text[at] == '.') {
        fraction = count_digits(text.substr(at + 1));
        at += 1 + fraction;
    }
    if (whole + fraction == 0) {
        return 0;
    }
    if (at < text.size() && (text[at] == 'e' || text[at] == 'E')) {
        std::size_t exponent = at + 1;
        exponent += exponent < text.size() && (text[exponent] == '+' || text[exponent] == '-') ? 1U : 0U;
        const std::size_t digits = count_digits(text.substr(exponent));
        at = digits > 0 ? exponent + digits : at;
    }
    return at;
}

// What stands where a number should: the words and signs that instruments have for "no reading".
ReplyFault no_number(std::string_view body) {
    const std::string word = upper(body.front() == '+' || body.front() == '-' ? body.substr(1) : body);
    if (word == "NAN") {
        return ReplyFault::not_a_number;
    }
    constexpr std::array<std::string_view, 6> over{"INF", "INFINITY", "OVLD", "OVL", "OL", "OVERLOAD"};
    const bool stars = word.size() > 1 && word.find_first_not_of('*') == std::string::npos;
    return stars || std::find(over.begin(), over.end(), word) != over.end() ? ReplyFault::over_range
                                                                            : ReplyFault::garbage;
}

Result<double, ReplyFault> value_of(std::string_view number) {
    number.remove_prefix(number.front() == '+' ? 1 : 0);
    double value = 0.0;
    const auto [end, error] = std::from_chars(number.data(), number.data() + number.size(), value);
    const bool tiny = number.find("e-") != std::string_view::npos || number.find("E-") != std::string_view::npos;
    if (error == std::errc::result_out_of_range) {  // "1E999" is over range; "1E-999" nobody measures
        return fault(tiny ? ReplyFault::garbage : ReplyFault::over_range);
    }
    if (error != std::errc{} || end != number.data() + number.size()) {
        return fault(ReplyFault::garbage);
    }
    if (std::fabs(value) >= nan_least && std::fabs(value) <= nan_most) {
        return fault(ReplyFault::not_a_number);
    }
    if (!(std::fabs(value) < sentinel)) {
        return fault(ReplyFault::over_range);
    }
    return value;
}

}  // namespace

// --- Lines

std::vector<Line> LineReader::push(std::string_view bytes) {
    std::vector<Line> lines;
    for (const char byte : bytes) {
        const bool swallowed = byte == '\n' && std::exchange(after_cr_, false);  // the LF of a CR LF that CR has ended
        after_cr_ = false;
        if (swallowed) {
            continue;
        }
        if (byte == '\n') {
            if (!dropping_ && text_.ends_with('\r')) {
                text_.pop_back();
            }
            end_line(lines);
        } else if (byte == '\r' && rules_.cr_ends) {
            end_line(lines);
            after_cr_ = true;
        } else if (!dropping_) {
            text_ += byte;
            // One more is kept: it may be the CR before an LF.
            if (text_.size() > rules_.longest + 1 || (text_.size() > rules_.longest && byte != '\r')) {
                dropping_ = true;
                text_.clear();
            }
        }
    }
    return lines;
}

void LineReader::end_line(std::vector<Line>& lines) {
    lines.push_back({std::exchange(text_, {}), std::exchange(dropping_, false)});
}

void LineReader::reset() {
    text_.clear();
    dropping_ = false;
    after_cr_ = false;
}

// --- Replies

std::string_view describe(ReplyFault fault) {
    switch (fault) {
        case ReplyFault::empty: return "is empty; a value was asked for";
        case ReplyFault::garbage: return "does not read as what was asked for";
        case ReplyFault::over_range: return "says that the reading is over range";
        case ReplyFault::not_a_number: return "says that there is no reading (not a number)";
        case ReplyFault::no_prefix: return "does not begin with the prefix that the profile gives";
        case ReplyFault::wrong_unit: return "does not have the unit that the profile gives, and no other";
        case ReplyFault::too_long: return "is longer than any such reply may be";
    }
    return "";
}

Result<double, ReplyFault> read_number(std::string_view line, const ReplyRules& rules) {
    const auto body = body_of(line, rules, number_longest);
    if (!body) {
        return fault(body.error());
    }
    const std::size_t length = number_length(*body);
    if (length == 0) {
        return fault(no_number(*body));
    }
    const std::string_view rest = trimmed(body->substr(length));
    const auto value = value_of(body->substr(0, length));
    if (rest != rules.unit) {
        // "4.2V" has a unit; "4,2", "1.2.3" and "0x10" are no numbers. 9.9E37 says what it says with any unit.
        const bool letters = std::all_of(rest.begin(), rest.end(), [](char c) {
            return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || c == '%';
        });
        return fault(!letters ? ReplyFault::garbage : !value ? value.error() : ReplyFault::wrong_unit);
    }
    return value;
}

Result<std::int64_t, ReplyFault> read_integer(std::string_view line, const ReplyRules& rules) {
    const auto value = read_number(line, rules);
    if (!value) {
        return fault(value.error());
    }
    std::string_view body = *body_of(line, rules, number_longest);
    body = trimmed(body.substr(0, body.size() - rules.unit.size()));
    body.remove_prefix(body.front() == '+' ? 1 : 0);
    std::int64_t count = 0;
    const auto [end, error] = std::from_chars(body.data(), body.data() + body.size(), count);
    if (error != std::errc{} || end != body.data() + body.size()) {
        return fault(ReplyFault::garbage);
    }
    return count;
}

Result<bool, ReplyFault> read_boolean(std::string_view line, const ReplyRules& rules) {
    const ReplyRules plain{rules.prefix, {}};
    const auto body = body_of(line, plain, number_longest);
    if (!body) {
        return fault(body.error());
    }
    const std::string word = upper(*body);
    if (word == "ON" || word == "OFF") {
        return word == "ON";
    }
    const auto count = read_integer(line, plain);
    if (!count) {
        return fault(count.error() == ReplyFault::wrong_unit ? ReplyFault::garbage : count.error());
    }
    if (*count != 0 && *count != 1) {
        return fault(ReplyFault::garbage);
    }
    return *count == 1;
}

Result<Identity, ReplyFault> read_identity(std::string_view line, const ReplyRules& rules) {
    const auto body = body_of(line, {rules.prefix, {}}, identity_longest);
    if (!body) {
        return fault(body.error());
    }
    std::array<std::string, 4> fields;
    std::string_view rest = *body;
    for (std::size_t field = 0; field < fields.size(); ++field) {
        const std::size_t comma = rest.find(',');
        const bool last = field + 1 == fields.size();
        if ((comma == std::string_view::npos) != last) {
            return fault(ReplyFault::garbage);
        }
        fields[field] = trimmed(rest.substr(0, comma));
        rest.remove_prefix(last ? rest.size() : comma + 1);
    }
    if (body->find(';') != std::string_view::npos || fields[0].empty() || fields[1].empty()) {
        return fault(ReplyFault::garbage);
    }
    return Identity{fields[0], fields[1], fields[2], fields[3]};
}

Result<ErrorEntry, ReplyFault> read_error(std::string_view line, const ReplyRules& rules) {
    const auto body = body_of(line, {rules.prefix, {}}, error_longest);
    if (!body) {
        return fault(body.error());
    }
    const std::size_t comma = body->find(',');
    const auto number = read_integer(body->substr(0, comma));
    if (!number || *number < -32'768 || *number > 32'767) {
        return fault(ReplyFault::garbage);
    }
    std::string_view text = comma == std::string_view::npos ? std::string_view{} : trimmed(body->substr(comma + 1));
    if (text.size() >= 2 && text.front() == '"' && text.back() == '"') {
        text = text.substr(1, text.size() - 2);
    }
    return ErrorEntry{static_cast<int>(*number), std::string{text}};
}

Result<EventStatus, ReplyFault> read_event_status(std::string_view line, const ReplyRules& rules) {
    const auto bits = read_integer(line, {rules.prefix, {}});
    if (!bits) {
        return fault(bits.error());
    }
    if (*bits < 0 || *bits > 255) {
        return fault(ReplyFault::garbage);
    }
    const auto bit = [&bits](unsigned weight) { return (static_cast<unsigned>(*bits) & weight) != 0; };
    return EventStatus{bit(1), bit(2), bit(4), bit(8), bit(16), bit(32), bit(64), bit(128)};
}

// --- Errors

ErrorClass error_class(int number) {
    if (number == 0) {
        return ErrorClass::none;
    }
    if (number > 0) {
        return number <= 32'767 ? ErrorClass::device : ErrorClass::reserved;
    }
    constexpr std::array classes{ErrorClass::reserved,     ErrorClass::command,         ErrorClass::execution,
                                 ErrorClass::device,       ErrorClass::query,           ErrorClass::power_on,
                                 ErrorClass::user_request, ErrorClass::request_control, ErrorClass::operation_complete};
    if (number <= -900) {
        return ErrorClass::reserved;
    }
    return classes[static_cast<std::size_t>(-number / 100)];
}

ErrorDuty error_duty(int number) {
    if (number == -221 || number == -350) {
        return ErrorDuty::read_back_all;
    }
    if (number == -201 || number == -203) {
        return ErrorDuty::take_control;
    }
    if (number <= -240 && number >= -249) {
        return ErrorDuty::instrument_fault;
    }
    if (number <= -360 && number >= -369) {
        return ErrorDuty::resynchronise;
    }
    switch (error_class(number)) {
        case ErrorClass::none:
        case ErrorClass::user_request:
        case ErrorClass::request_control:
        case ErrorClass::operation_complete: return ErrorDuty::nothing;
        case ErrorClass::command: return ErrorDuty::not_understood;
        case ErrorClass::execution: return ErrorDuty::not_taken;
        case ErrorClass::query: return ErrorDuty::resynchronise;
        case ErrorClass::power_on: return ErrorDuty::rebooted;
        case ErrorClass::device:
        case ErrorClass::reserved: return ErrorDuty::instrument_fault;
    }
    return ErrorDuty::instrument_fault;
}

namespace {

std::string_view consequence(ErrorDuty duty) {
    switch (duty) {
        case ErrorDuty::nothing: return "nothing needs doing";
        case ErrorDuty::resynchronise: return "a question and its answer were out of step";
        case ErrorDuty::not_understood: return "the instrument does not know this line of the profile";
        case ErrorDuty::not_taken: return "the instrument did not take this value in its present state";
        case ErrorDuty::take_control:
            return "the front panel has control; the profile's remote line is missing or ignored";
        case ErrorDuty::read_back_all: return "other settings may have changed, or errors were lost; all are read back";
        case ErrorDuty::instrument_fault: return "the instrument has a fault of its own; look at it";
        case ErrorDuty::rebooted: return "the instrument has restarted and lost its settings";
    }
    return "";
}

}  // namespace

std::string describe(const ErrorEntry& error) {
    return std::to_string(error.number) + " \"" + escaped(error.text, 128) +
           "\": " + std::string{consequence(error_duty(error.number))};
}

// --- Numbers to send

namespace {

std::int64_t to_step(std::int64_t count, std::int64_t step, Rounding rounding) {
    ENSURE(step > 0);
    const std::int64_t whole = count / step;
    const std::int64_t rest = count % step;
    switch (rounding) {
        case Rounding::nearest: return multiply_divide(count, 1, step) * step;
        case Rounding::toward_zero: return whole * step;
        case Rounding::down: return (whole - (rest < 0 ? 1 : 0)) * step;
        case Rounding::up: return (whole + (rest > 0 ? 1 : 0)) * step;
    }
    return whole * step;
}

template <class Q>
Written<Q> written(std::int64_t count, std::int64_t offset, std::int64_t step, std::int64_t scale, Rounding rounding) {
    const std::int64_t sent = to_step(count - offset, step, rounding);
    return {print_decimal(sent, scale), Q{sent + offset}};
}

}  // namespace

Written<Voltage> write_number(Voltage value, Voltage resolution, Rounding rounding) {
    return written<Voltage>(value.count, 0, resolution.count, 1'000'000'000, rounding);
}

Written<Current> write_number(Current value, Current resolution, Rounding rounding) {
    return written<Current>(value.count, 0, resolution.count, 1'000'000'000, rounding);
}

Written<Duration> write_number(Duration value, Duration resolution, Rounding rounding) {
    return written<Duration>(value.count, 0, resolution.count, 1'000'000, rounding);
}

Written<Temperature> write_number(Temperature value, TemperatureDifference resolution, Rounding rounding) {
    return written<Temperature>(value.count, 273'150, resolution.count, 1'000, rounding);
}

}  // namespace slowfilm::wire
