#include "daemon/wire/modbus_value.hpp"

#include <array>
#include <bit>
#include <cmath>

namespace slowfilm::wire::modbus {

namespace {

constexpr std::array orders{WordOrder::abcd, WordOrder::cdab, WordOrder::badc, WordOrder::dcba};

std::uint16_t swapped(std::uint16_t word) {
    return static_cast<std::uint16_t>((word << 8U) | (word >> 8U));
}

bool swaps_bytes(WordOrder order) {
    return order == WordOrder::badc || order == WordOrder::dcba;
}

bool swaps_words(WordOrder order) {
    return order == WordOrder::cdab || order == WordOrder::dcba;
}

// The registers of one value put into the order A B C D, or back from it: the same exchange either way.
std::uint32_t gather(std::span<const std::uint16_t> registers, WordOrder order) {
    const auto word = [&](std::size_t at) {
        return std::uint32_t{swaps_bytes(order) ? swapped(registers[at]) : registers[at]};
    };
    if (registers.size() == 1) {
        return word(0);
    }
    return swaps_words(order) ? (word(1) << 16U) | word(0) : (word(0) << 16U) | word(1);
}

double raw_value(std::uint32_t bits, RegisterType type) {
    switch (type) {
        case RegisterType::u16: return bits & 0xFFFFU;
        case RegisterType::i16: return std::bit_cast<std::int16_t>(static_cast<std::uint16_t>(bits & 0xFFFFU));
        case RegisterType::u32: return bits;
        case RegisterType::i32: return std::bit_cast<std::int32_t>(bits);
        case RegisterType::f32: return static_cast<double>(std::bit_cast<float>(bits));
    }
    return 0.0;
}

struct Span {
    double least, most;
};

// What a whole-number type holds.
Span span_of(RegisterType type) {
    switch (type) {
        case RegisterType::u16: return {0.0, 65'535.0};
        case RegisterType::i16: return {-32'768.0, 32'767.0};
        case RegisterType::u32: return {0.0, 4'294'967'295.0};
        case RegisterType::i32: return {-2'147'483'648.0, 2'147'483'647.0};
        case RegisterType::f32: return {-3.4e38, 3.4e38};
    }
    return {0.0, 0.0};
}

bool within(double value, double least, double most) {
    return value >= least && value <= most;  // NaN is never within
}

tl::unexpected<ValueFault> fault(ValueFault kind) {
    return tl::unexpected<ValueFault>{kind};
}

}  // namespace

std::string_view describe(ValueFault fault) {
    switch (fault) {
        case ValueFault::wrong_count: return "is not as many registers as its type has";
        case ValueFault::not_finite: return "is no finite number: the sensor is broken, or the word order is another";
        case ValueFault::implausible:
            return "is outside the profile's range: check address, type, word order and scale against a known reading";
    }
    return "";
}

Result<double, ValueFault> decode_value(std::span<const std::uint16_t> registers, const RegisterFormat& format) {
    if (registers.size() != registers_of(format.type)) {
        return fault(ValueFault::wrong_count);
    }
    const double value = raw_value(gather(registers, format.order), format.type) * format.scale + format.offset;
    if (!std::isfinite(value)) {
        return fault(ValueFault::not_finite);
    }
    if (!within(value, format.least, format.most)) {
        return fault(ValueFault::implausible);
    }
    return value;
}

Result<std::vector<std::uint16_t>, ValueFault> encode_value(double value, const RegisterFormat& format) {
    if (!std::isfinite(value)) {
        return fault(ValueFault::not_finite);
    }
    const double raw = (value - format.offset) / format.scale;
    const double whole = format.type == RegisterType::f32 ? raw : std::round(raw);
    const Span span = span_of(format.type);
    if (!within(value, format.least, format.most) || !within(whole, span.least, span.most)) {
        return fault(ValueFault::implausible);
    }
    const std::uint32_t bits = format.type == RegisterType::f32
                                   ? std::bit_cast<std::uint32_t>(static_cast<float>(whole))
                                   : static_cast<std::uint32_t>(static_cast<std::int64_t>(whole));
    const auto low = static_cast<std::uint16_t>(bits & 0xFFFFU);
    if (registers_of(format.type) == 1) {
        return std::vector<std::uint16_t>{swaps_bytes(format.order) ? swapped(low) : low};
    }
    const std::array<std::uint16_t, 2> words{static_cast<std::uint16_t>(bits >> 16U), low};
    const std::uint32_t ordered = gather(words, format.order);
    return std::vector<std::uint16_t>{static_cast<std::uint16_t>(ordered >> 16U),
                                      static_cast<std::uint16_t>(ordered & 0xFFFFU)};
}

std::vector<double> readings_in_each_order(std::span<const std::uint16_t> registers, RegisterType type) {
    std::vector<double> readings;
    if (registers.size() == registers_of(type)) {
        for (const WordOrder order : orders) {
            readings.push_back(raw_value(gather(registers, order), type));
        }
    }
    return readings;
}

}  // namespace slowfilm::wire::modbus
