// The answer to a question out of any bytes: a whole frame with a right CRC, or nothing.
#include "daemon/wire/modbus.hpp"
#include "daemon/wire/modbus_value.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <array>
#include <cmath>
#include <utility>

using namespace slowfilm::wire::modbus;
using slowfilm::fuzz::require;

namespace {

void read_values(const Reply& reply) {
    constexpr std::array types{RegisterType::u16, RegisterType::i16, RegisterType::u32, RegisterType::i32,
                               RegisterType::f32};
    constexpr std::array orders{WordOrder::abcd, WordOrder::cdab, WordOrder::badc, WordOrder::dcba};
    for (const RegisterType type : types) {
        for (const WordOrder order : orders) {
            const RegisterFormat format{type, order, 0.1, -5.0, -100.0, 5'000.0};
            if (const auto value = decode_value(reply.values, format)) {
                require(*value >= format.least && *value <= format.most, "a value lies within its range");
            }
        }
    }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    slowfilm::fuzz::Input input{data, size};
    constexpr std::array functions{Function::read_coils, Function::read_holding,   Function::read_input,
                                   Function::write_coil, Function::write_register, Function::write_registers};
    Request asked{1, functions[input.choose(functions.size())], 0, 1, {}};
    asked.address = static_cast<std::uint16_t>(input.choose(4));
    const bool writes = asked.function >= Function::write_coil;
    const bool single = writes && asked.function != Function::write_registers;
    asked.count = static_cast<std::uint16_t>(single ? 1 : 1 + input.choose(4));
    asked.values.resize(writes ? asked.count : 0U);
    const bool echoes = input.choose(2) == 1;
    const std::size_t length = input.choose(16);
    const std::string bytes = input.rest();
    slowfilm::fuzz::same_in_pieces(bytes, length, [&](const std::string& all, std::size_t piece) {
        ReplyReader reader{asked, echoes};
        std::optional<Reply> reply;
        for (std::size_t at = 0; at < all.size(); at += piece) {
            if (auto got = reader.push(std::string_view{all}.substr(at, piece))) {
                require(!reply, "there is one reply");
                reply = std::move(got);
            }
        }
        require(!describe(reader.at_deadline()).empty(), "a deadline has words");
        return reply;
    });
    ReplyReader reader{asked, echoes};
    if (const auto reply = reader.push(bytes)) {
        const auto code = static_cast<std::uint8_t>(asked.function);
        const std::string frame =
            reply->exception ? encode_exception(1, code, *reply->exception) : encode_reply(asked, reply->values);
        // The last byte of coils may have bits that nobody asked for.
        const std::size_t told = asked.function == Function::read_coils && !reply->exception ? 3 : frame.size();
        require(bytes.compare(reply->skipped, told, frame, 0, told) == 0, "a reply is a frame that came");
        read_values(*reply);
    }
    return 0;
}
