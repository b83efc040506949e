#include "sim/instrument/scpi_status.hpp"

#include "daemon/wire/scpi.hpp"

#include <utility>

namespace slowfilm::sim::instrument {

namespace {

// The bit of the event register that an error of this class sets (SCPI-1999 vol. 2, 21.8).
unsigned event_bit(int number) {
    switch (wire::error_class(number)) {
        case wire::ErrorClass::none: return 0;
        case wire::ErrorClass::command: return 32;
        case wire::ErrorClass::execution: return 16;
        case wire::ErrorClass::device: return 8;
        case wire::ErrorClass::query: return 4;
        case wire::ErrorClass::power_on: return 128;
        case wire::ErrorClass::user_request: return 64;
        case wire::ErrorClass::request_control: return 2;
        case wire::ErrorClass::operation_complete: return 1;
        case wire::ErrorClass::reserved: return 8;
    }
    return 8;
}

}  // namespace

std::string_view error_text(int number) {
    static constexpr std::pair<int, std::string_view> texts[] = {
        {0, "No error"},
        {-102, "Syntax error"},
        {-104, "Data type error"},
        {-108, "Parameter not allowed"},
        {-109, "Missing parameter"},
        {-113, "Undefined header"},
        {-114, "Header suffix out of range"},
        {-131, "Invalid suffix"},
        {-200, "Execution error"},
        {-201, "Invalid while in local"},
        {-221, "Settings conflict"},
        {-222, "Data out of range"},
        {-224, "Illegal parameter value"},
        {-240, "Hardware error"},
        {-300, "Device-specific error"},
        {-310, "System error"},
        {-350, "Queue overflow"},
        {-360, "Communication error"},
        {-363, "Input buffer overrun"},
        {-410, "Query INTERRUPTED"},
        {-420, "Query UNTERMINATED"},
    };
    for (const auto& [known, text] : texts) {
        if (known == number) {
            return text;
        }
    }
    return "Device-specific error";
}

void ScpiStatus::error(int number) {
    event_ |= event_bit(number);
    if (errors_.size() < queue_most) {
        errors_.push_back(number);
    } else {
        errors_.back() = static_cast<int>(ScpiError::overflow);
        event_ |= event_bit(static_cast<int>(ScpiError::overflow));
    }
}

std::string ScpiStatus::next_error() {
    int number = 0;
    if (!errors_.empty()) {
        number = errors_.front();
        errors_.pop_front();
    }
    return std::to_string(number) + ",\"" + std::string{error_text(number)} + "\"";
}

void ScpiStatus::clear() {
    errors_.clear();
    event_ = 0;
    questionable_event_ = 0;
}

void ScpiStatus::power_on() {
    *this = ScpiStatus{};
}

unsigned ScpiStatus::take_event() {
    return std::exchange(event_, 0U);
}

void ScpiStatus::questionable(unsigned condition) {
    questionable_event_ |= condition & ~questionable_condition_;
    questionable_condition_ = condition;
}

unsigned ScpiStatus::take_questionable() {
    return std::exchange(questionable_event_, 0U);
}

// IEEE 488.2, 11.2: error queue 4, questionable 8, event summary 32, and 64 where a bit that is asked for is set.
unsigned ScpiStatus::byte() const {
    const unsigned summary = (errors_.empty() ? 0U : 4U) |
                             ((questionable_event_ & questionable_enable) != 0 ? 8U : 0U) |
                             ((event_ & event_enable) != 0 ? 32U : 0U);
    return summary | ((summary & service_enable) != 0 ? 64U : 0U);
}

}  // namespace slowfilm::sim::instrument
