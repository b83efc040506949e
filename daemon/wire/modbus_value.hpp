// Registers as physical values. No standard says which word of a 32-bit value goes first: a profile does, and proves it
// by a known reading.
#pragma once

#include "daemon/core/result.hpp"

#include <cstddef>
#include <cstdint>
#include <span>
#include <string_view>
#include <vector>

namespace slowfilm::wire::modbus {

enum class RegisterType : std::uint8_t { u16, i16, u32, i32, f32 };
// Of the bytes A B C D from the most to the least significant, as they stand on the wire. Of a 16-bit value only
// whether its two bytes are swapped: abcd and cdab are not, badc and dcba are.
enum class WordOrder : std::uint8_t { abcd, cdab, badc, dcba };

struct RegisterFormat {
    RegisterType type{RegisterType::i16};
    WordOrder order{WordOrder::abcd};
    double scale{1.0};  // value = raw * scale + offset; finite and not 0
    double offset{0.0};
    double least{0.0};  // what lies outside least..most is no value: this is what unmasks a wrong word order
    double most{0.0};
};

enum class ValueFault : std::uint8_t {
    wrong_count,  // not as many registers as the type has
    not_finite,   // f32 NaN or infinity
    implausible,  // outside least..most
};
[[nodiscard]] std::string_view describe(ValueFault fault);

[[nodiscard]] constexpr std::size_t registers_of(RegisterType type) {
    return type == RegisterType::u16 || type == RegisterType::i16 ? 1 : 2;
}

[[nodiscard]] Result<double, ValueFault> decode_value(std::span<const std::uint16_t> registers,
                                                      const RegisterFormat& format);
// To the nearest raw value; implausible where it is outside least..most or does not fit the type.
[[nodiscard]] Result<std::vector<std::uint16_t>, ValueFault> encode_value(double value, const RegisterFormat& format);

// How registers read in each order, raw, for `probe` to show beside a known reading. In the order of WordOrder; NaN and
// infinity as they are; none where there are not as many registers as the type has.
[[nodiscard]] std::vector<double> readings_in_each_order(std::span<const std::uint16_t> registers, RegisterType type);

}  // namespace slowfilm::wire::modbus
