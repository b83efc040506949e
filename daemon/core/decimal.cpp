#include "daemon/core/decimal.hpp"

#include "daemon/core/ensure.hpp"

#include <algorithm>
#include <limits>

namespace slowfilm {

namespace {

constexpr std::size_t digits_most = 22;
constexpr int exponent_most = 9'999;

bool is_digit(char c) {
    return c >= '0' && c <= '9';
}

std::size_t count_digits(std::string_view text) {
    return static_cast<std::size_t>(std::find_if_not(text.begin(), text.end(), is_digit) - text.begin());
}

tl::unexpected<std::string> wrong(std::string phrase) {
    return tl::unexpected<std::string>{std::move(phrase)};
}

bool says_no_number(std::string_view text) {
    std::string lower{text.substr(0, 3)};
    for (char& c : lower) {
        c = (c >= 'A' && c <= 'Z') ? static_cast<char>(c - 'A' + 'a') : c;
    }
    return lower == "nan" || lower == "inf";
}

// Why `text` does not begin with a digit.
std::string no_digit(std::string_view text) {
    if (text.empty()) {
        return "has no number";
    }
    if (text.front() == '+') {
        return "begins with \"+\"; write the number without it";
    }
    if (text.front() == '.') {
        if (text.size() < 2 || text[1] < '0' || text[1] > '9') {
            return "is a point without digits; write a number such as \"0.5\"";
        }
        return "has no digit before its point; write \"0" + std::string{text.substr(0, 12)} + "\"";
    }
    if (text.front() == '-') {
        return "has two signs";
    }
    if (says_no_number(text)) {
        return "is not a finite number; write digits";
    }
    return "does not begin with a number";
}

// What must not follow the digits of a number.
std::string stray(std::string_view rest, std::string_view digits, bool after_point) {
    if (rest.empty()) {
        return {};
    }
    switch (rest.front()) {
        case ',': return "has a comma; a decimal point is written \".\", and digits are not grouped";
        case '_': return "has \"_\" among its digits; write the digits without it";
        case '\'': return "has an apostrophe among its digits; write the digits without it";
        case '+': return "has \"+\" after its digits; write one number";
        case '-': return "has \"-\" after its digits; write one number, not a range";
        case '.': return after_point ? "has two points; write one number" : "has no digit after its point";
        case 'E': return "has a capital \"E\"; an exponent is written \"e\", as in \"1e3\"";
        case 'x':
        case 'X': return digits == "0" ? "is hexadecimal; write a decimal number" : std::string{};
        default: return {};
    }
}

struct Exponent {
    int value{0};
    std::size_t length{0};  // characters taken
};

Result<Exponent, std::string> read_exponent(std::string_view text) {
    if (!text.starts_with('e')) {
        return Exponent{};
    }
    if (text.starts_with("e+")) {
        return wrong("has \"e+\"; write the exponent without \"+\"");
    }
    const bool negative = text.starts_with("e-");
    const std::size_t begin = negative ? 2 : 1;
    const std::size_t length = count_digits(text.substr(begin));
    if (length == 0) {
        return wrong("has no digits after \"e\"");
    }
    int value = 0;
    for (const char c : text.substr(begin, length)) {
        value = std::min(value * 10 + (c - '0'), exponent_most);
    }
    return Exponent{negative ? -value : value, begin + length};
}

}  // namespace

Result<Decimal, std::string> read_decimal(std::string_view text) {
    Decimal decimal;
    if (text.starts_with('-')) {
        decimal.negative = true;
        text.remove_prefix(1);
    }
    const std::string_view whole = text.substr(0, count_digits(text));
    if (whole.empty()) {
        return wrong(no_digit(text));
    }
    std::string_view rest = text.substr(whole.size());
    std::string_view fraction;
    if (rest.size() >= 2 && rest[0] == '.' && is_digit(rest[1])) {
        fraction = rest.substr(1, count_digits(rest.substr(1)));
        rest.remove_prefix(1 + fraction.size());
    }
    if (std::string said = stray(rest, whole, !fraction.empty()); !said.empty()) {
        return wrong(std::move(said));
    }
    const auto exponent = read_exponent(rest);
    if (!exponent) {
        return wrong(exponent.error());
    }
    rest.remove_prefix(exponent->length);
    if (exponent->length > 0 && (rest.starts_with('.') || rest.starts_with(','))) {
        return wrong("has a fraction in its exponent; the exponent is a whole number");
    }

    std::string digits = std::string{whole} + std::string{fraction};
    decimal.exponent = exponent->value - static_cast<int>(std::min<std::size_t>(fraction.size(), 1'000'000));
    digits.erase(0, std::min(digits.find_first_not_of('0'), digits.size()));
    while (digits.ends_with('0')) {
        digits.pop_back();
        decimal.exponent = std::min(decimal.exponent + 1, 10'000'000);
    }
    if (digits.size() > digits_most) {
        return wrong("has more digits than can be kept; write at most " + std::to_string(digits_most));
    }
    for (const char c : digits) {
        decimal.digits = decimal.digits * 10 + (c - '0');
    }
    decimal.rest = rest;
    return decimal;
}

Result<std::int64_t, Inexact> whole_count(const Decimal& decimal, std::int64_t scale, std::int64_t most) {
    if (decimal.digits == 0) {
        return 0;
    }
    Wide count = decimal.digits * scale;
    for (int e = decimal.exponent; e < 0; ++e) {
        if (count % 10 != 0) {
            return tl::unexpected<Inexact>{Inexact::too_fine};
        }
        count /= 10;
    }
    for (int e = decimal.exponent; e > 0 && count <= most; --e) {
        count *= 10;
    }
    if (count > most) {
        return tl::unexpected<Inexact>{Inexact::too_large};
    }
    return static_cast<std::int64_t>(decimal.negative ? -count : count);
}

std::string print_decimal(std::int64_t count, std::int64_t scale) {
    const Wide wide = count < 0 ? -static_cast<Wide>(count) : static_cast<Wide>(count);
    std::string text = count < 0 ? "-" : "";
    text += std::to_string(static_cast<std::uint64_t>(wide / scale));
    Wide rest = wide % scale;
    if (rest != 0) {
        text += '.';
    }
    for (int places = 0; rest != 0; ++places) {
        ENSURE(places < 64);  // the caller chose a scale in which the value has an end
        rest *= 10;
        text += static_cast<char>('0' + static_cast<int>(rest / scale));
        rest %= scale;
    }
    return text;
}

std::int64_t multiply_divide(std::int64_t a, std::int64_t b, Wide divisor) {
    ENSURE(divisor > 0);
    const Wide product = static_cast<Wide>(a) * b;
    const Wide half = divisor / 2;
    const Wide rounded = product < 0 ? -((-product + half) / divisor) : (product + half) / divisor;
    constexpr Wide least = std::numeric_limits<std::int64_t>::min();
    constexpr Wide most = std::numeric_limits<std::int64_t>::max();
    return static_cast<std::int64_t>(std::clamp(rounded, least, most));
}

}  // namespace slowfilm
