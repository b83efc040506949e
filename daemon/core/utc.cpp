#include "daemon/core/utc.hpp"

#include <chrono>
#include <optional>

namespace slowfilm {
namespace {

class Digits {
  public:
    explicit Digits(std::string_view text) : rest_(text) {}
    // A number of exactly so many digits.
    std::optional<int> number(std::size_t digits) {
        if (rest_.size() < digits) {
            return std::nullopt;
        }
        int value = 0;
        for (std::size_t i = 0; i < digits; ++i) {
            if (rest_[i] < '0' || rest_[i] > '9') {
                return std::nullopt;
            }
            value = value * 10 + (rest_[i] - '0');
        }
        rest_.remove_prefix(digits);
        return value;
    }
    bool take(char c) {
        const bool there = !rest_.empty() && rest_.front() == c;
        if (there) {
            rest_.remove_prefix(1);
        }
        return there;
    }
    // After the point: microseconds; nothing without a digit.
    std::optional<std::int64_t> fraction() {
        std::int64_t value = 0;
        std::int64_t place = 100'000;
        std::size_t digits = 0;
        for (; digits < rest_.size() && rest_[digits] >= '0' && rest_[digits] <= '9'; ++digits) {
            value += (rest_[digits] - '0') * place;
            place /= 10;
        }
        rest_.remove_prefix(digits);
        return digits == 0 ? std::nullopt : std::optional{value};
    }
    [[nodiscard]] bool empty() const { return rest_.empty(); }

  private:
    std::string_view rest_;
};

// Minutes east of Greenwich.
std::optional<int> offset_of(Digits& text) {
    if (text.take('Z') || text.take('z')) {
        return 0;
    }
    const bool east = text.take('+');
    if (!east && !text.take('-')) {
        return std::nullopt;
    }
    const auto hours = text.number(2);
    const bool colon = text.take(':');
    const auto minutes = text.number(2);
    if (!hours || !colon || !minutes || *hours > 23 || *minutes > 59) {
        return std::nullopt;
    }
    return (east ? 1 : -1) * (*hours * 60 + *minutes);
}

std::optional<std::int64_t> instant(std::string_view text) {
    Digits digits(text);
    const auto year = digits.number(4);
    bool form = digits.take('-');
    const auto month = digits.number(2);
    form = digits.take('-') && form;
    const auto day = digits.number(2);
    form = (digits.take('T') || digits.take('t')) && form;
    const auto hour = digits.number(2);
    form = digits.take(':') && form;
    const auto minute = digits.number(2);
    form = digits.take(':') && form;
    const auto second = digits.number(2);
    if (!form || !year || !month || !day || !hour || !minute || !second) {
        return std::nullopt;
    }
    const auto fraction = digits.take('.') ? digits.fraction() : std::optional<std::int64_t>{0};
    const auto offset = offset_of(digits);
    const std::chrono::year_month_day date{std::chrono::year{*year}, std::chrono::month{static_cast<unsigned>(*month)},
                                           std::chrono::day{static_cast<unsigned>(*day)}};
    if (!fraction || !offset || !digits.empty() || !date.ok() || *hour > 23 || *minute > 59 || *second > 59) {
        return std::nullopt;
    }
    const std::int64_t days = std::chrono::sys_days{date}.time_since_epoch().count();
    const std::int64_t minutes = (days * 24 + *hour) * 60 + *minute - *offset;
    return (minutes * 60 + *second) * 1'000'000 + *fraction;
}

}  // namespace

Result<std::int64_t, std::string> parse_utc(std::string_view text) {
    const auto time = instant(text);
    constexpr std::int64_t year_3000 = 32'503'680'000'000'000;
    if (!time) {
        return tl::unexpected<std::string>(
            "is no point in time; write it as RFC 3339 has it, such as 2026-11-24T18:00:00Z or "
            "2026-11-24T19:00:00+01:00");
    }
    if (*time < 0 || *time >= year_3000) {
        return tl::unexpected<std::string>("lies before 1970 or after 2999");
    }
    return *time;
}

}  // namespace slowfilm
