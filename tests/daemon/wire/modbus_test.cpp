// Modbus frames in any pieces, with noise, echoes and the answers to other questions around them.
#include "daemon/wire/modbus.hpp"

#include "daemon/wire/modbus_value.hpp"
#include "tests/daemon/wire/pieces.hpp"
#include "tests/property.hpp"

#include <cmath>
#include <limits>
#include <string>
#include <vector>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::wire::modbus {

void PrintTo(const Reply& reply, std::ostream* out) {
    *out << testing::PrintToString(reply.values) << " skipped " << reply.skipped
         << (reply.exception ? " exception " + std::to_string(static_cast<int>(*reply.exception)) : "");
}

}  // namespace slowfilm::wire::modbus

namespace slowfilm::wire::test {
namespace {

using namespace modbus;
using testing::ElementsAre;

constexpr Request two_inputs{1, Function::read_input, 0, 2, {}};

std::optional<Reply> reply_to(const Request& asked, const std::string& bytes, bool echoes = false) {
    ReplyReader reader{asked, echoes};
    return reader.push(bytes);
}

rc::Gen<Request> any_request() {
    return rc::gen::exec([] {
        Request request;
        request.unit = static_cast<std::uint8_t>(*rc::gen::inRange(1, 248));
        request.function = *rc::gen::element(Function::read_coils, Function::read_holding, Function::read_input,
                                             Function::write_coil, Function::write_register, Function::write_registers);
        request.address = static_cast<std::uint16_t>(*rc::gen::inRange(0, 65'000));
        const bool single = request.function == Function::write_coil || request.function == Function::write_register;
        request.count = static_cast<std::uint16_t>(single ? 1 : *rc::gen::inRange(1, 124));
        if (single || request.function == Function::write_registers) {
            request.values =
                *rc::gen::container<std::vector<std::uint16_t>>(request.count, rc::gen::arbitrary<std::uint16_t>());
        }
        if (request.function == Function::write_coil) {
            request.values.front() &= 1U;
        }
        return request;
    });
}

std::vector<std::uint16_t> any_values(const Request& request) {
    auto values = *rc::gen::container<std::vector<std::uint16_t>>(request.count, rc::gen::arbitrary<std::uint16_t>());
    for (std::uint16_t& value : values) {
        value = request.function == Function::read_coils ? value & 1U : value;
    }
    return values;
}

bool reads(const Request& request) {
    return request.values.empty();
}

TEST(ModbusReply, is_found_however_it_is_cut_and_whatever_noise_is_before) {
    slowfilm::test::holds([] {
        const Request asked = *any_request();
        const std::vector<std::uint16_t> values = reads(asked) ? any_values(asked) : asked.values;
        const std::string noise =
            *rc::gen::container<std::string>(*rc::gen::inRange(0, 20), rc::gen::arbitrary<char>());
        const std::string bytes = noise + encode_reply(asked, values) + *any_bytes();
        ReplyReader whole{asked};
        ReplyReader cut{asked};
        const auto reply = whole.push(bytes);
        std::optional<Reply> again;
        for (const std::string& piece : pieces_of(bytes, *any_cuts())) {
            const auto got = cut.push(piece);
            RC_ASSERT(!got || !again);
            again = got ? got : again;
        }
        RC_ASSERT(reply == again);
        RC_ASSERT(reply.has_value());
        RC_ASSERT(reply->values == values);
        RC_ASSERT(reply->skipped == noise.size());
    });
}

TEST(ModbusReply, has_the_length_that_was_foretold) {
    slowfilm::test::holds([] {
        const Request asked = *any_request();
        RC_ASSERT(encode_reply(asked, reads(asked) ? any_values(asked) : asked.values).size() == reply_length(asked));
    });
}

TEST(ModbusReply, of_any_bytes_is_a_right_frame_or_none) {
    slowfilm::test::holds([] {
        const Request asked = *any_request();
        const std::string bytes = *any_bytes();
        ReplyReader reader{asked};
        if (const auto reply = reader.push(bytes); reply && !reply->exception) {
            RC_ASSERT(bytes.find(encode_reply(asked, reply->values)) == reply->skipped);
        }
        RC_ASSERT(!describe(reader.at_deadline()).empty());
    });
}

TEST(ModbusReply, with_one_bit_flipped_is_none) {
    const std::string good = encode_reply(two_inputs, {0x4048, 0xF5C3});
    ASSERT_TRUE(reply_to(two_inputs, good));
    for (std::size_t bit = 0; bit < 8 * good.size(); ++bit) {
        std::string bad = good;
        bad[bit / 8] = static_cast<char>(static_cast<unsigned char>(bad[bit / 8]) ^ (1U << (bit % 8)));
        EXPECT_FALSE(reply_to(two_inputs, bad)) << "bit " << bit;
    }
}

TEST(ModbusReply, carries_each_of_the_256_byte_values) {
    const Request asked{17, Function::read_holding, 0x1311, 64, {}};
    for (unsigned offset = 0; offset < 256; offset += 128) {
        std::vector<std::uint16_t> values;
        for (unsigned value = offset; value < offset + 128; value += 2) {
            values.push_back(static_cast<std::uint16_t>((value << 8U) | (value + 1)));
        }
        const std::string frame = encode_reply(asked, values);
        for (std::size_t cut = 0; cut <= frame.size(); ++cut) {
            ReplyReader reader{asked};
            auto reply = reader.push(frame.substr(0, cut));
            reply = reply ? reply : reader.push(frame.substr(cut));
            ASSERT_TRUE(reply) << "cut at " << cut;
            EXPECT_EQ(reply->values, values);
        }
    }
}

TEST(ModbusReply, to_another_question_is_skipped) {
    const Request other_unit{2, Function::read_input, 0, 2, {}};
    const Request other_count{1, Function::read_input, 0, 3, {}};
    const Request other_function{1, Function::read_holding, 0, 2, {}};
    for (const Request& other : {other_unit, other_count, other_function}) {
        const std::string late = encode_reply(other, std::vector<std::uint16_t>(other.count, 7));
        EXPECT_FALSE(reply_to(two_inputs, late));
        EXPECT_EQ(reply_to(two_inputs, late + encode_reply(two_inputs, {1, 2})), (Reply{{1, 2}, {}, late.size()}));
    }
}

TEST(ModbusReply, that_refuses_names_its_code) {
    for (int code = 0; code < 256; ++code) {
        const auto said = static_cast<Exception>(code);
        const auto reply = reply_to(two_inputs, encode_exception(1, 0x04, said));
        ASSERT_TRUE(reply);
        EXPECT_EQ(reply->exception, said);
        EXPECT_TRUE(reply->values.empty());
        EXPECT_FALSE(describe(said).empty());
    }
    EXPECT_FALSE(reply_to(two_inputs, encode_exception(1, 0x03, Exception::busy)));
    EXPECT_FALSE(reply_to(two_inputs, encode_exception(2, 0x04, Exception::busy)));
}

TEST(ModbusEcho, is_never_a_value) {
    const std::string echo = encode(two_inputs);
    ReplyReader reader{two_inputs};
    EXPECT_FALSE(reader.push(echo));
    EXPECT_EQ(reader.at_deadline(), Fault::echo_only);
    const auto reply = reader.push(encode_reply(two_inputs, {5, 6}));
    EXPECT_EQ(reply, (Reply{{5, 6}, {}, echo.size()})) << "what follows the echo counts";
}

TEST(ModbusEcho, of_a_write_is_told_from_its_reply_where_the_adapter_is_known_to_echo) {
    const Request write{1, Function::write_register, 1, 1, {3}};
    const std::string frame = encode(write);
    EXPECT_EQ(encode_reply(write, {}), frame) << "the two are the same bytes";
    EXPECT_FALSE(reply_to(write, frame, true));
    EXPECT_EQ(reply_to(write, frame + frame, true), (Reply{{3}, {}, frame.size()}));
    EXPECT_TRUE(reply_to(write, frame)) << "without that knowledge they cannot be told apart: read back";
    ReplyReader reader{write, true};
    EXPECT_FALSE(reader.push(frame));
    EXPECT_EQ(reader.at_deadline(), Fault::echo_only);
    EXPECT_FALSE(reply_to(two_inputs, encode_reply(two_inputs, {1, 2}), true)) << "no echo, so no reply either";
}

TEST(ModbusDeadline, says_what_was_there_instead) {
    const std::string good = encode_reply(two_inputs, {1, 2});
    const auto fault_after = [](const std::string& bytes) {
        ReplyReader reader{two_inputs};
        EXPECT_FALSE(reader.push(bytes));
        return reader.at_deadline();
    };
    EXPECT_EQ(fault_after(""), Fault::silent);
    EXPECT_EQ(fault_after(good.substr(0, 5)), Fault::cut);
    EXPECT_EQ(fault_after("\x7F\x7F" + good.substr(0, 3)), Fault::cut);
    EXPECT_EQ(fault_after(std::string(20, '\xFF')), Fault::garbled);
    EXPECT_EQ(fault_after(std::string(100'000, '\x01')), Fault::garbled) << "noise without end is not remembered";
}

TEST(ModbusRequest, comes_out_of_any_bytes_as_it_went_in) {
    slowfilm::test::holds([] {
        const auto requests = *rc::gen::container<std::vector<Request>>(any_request());
        std::string bytes;
        for (const Request& request : requests) {
            bytes += encode(request);
        }
        RequestReader reader;
        std::vector<Request> heard;
        for (const Heard& one : all_of(reader, pieces_of(bytes, *any_cuts()))) {
            RC_ASSERT(one.request.has_value());
            heard.push_back(*one.request);
        }
        RC_ASSERT(heard == requests);
    });
}

TEST(ModbusReply, and_request_keep_what_looks_like_a_frame_inside_them_as_data) {
    // A refusal of the same question, as two registers and a half within the answer.
    const Request six{1, Function::read_input, 0, 6, {}};
    const std::string refusal = encode_exception(1, 0x04, Exception::busy);
    const auto word = [](const std::string& bytes, std::size_t at) {
        return static_cast<std::uint16_t>((static_cast<unsigned char>(bytes[at]) << 8U) |
                                          static_cast<unsigned char>(bytes[at + 1]));
    };
    const std::vector<std::uint16_t> values{7, word(refusal, 0), word(refusal, 2), word(refusal + "x", 4), 8, 9};
    EXPECT_EQ(reply_to(six, encode_reply(six, values)), (Reply{values, {}, 0}));
    // And a whole request within the values of a write.
    const std::string inner = encode(two_inputs);
    const Request outer{
        1, Function::write_registers, 0, 4, {word(inner, 0), word(inner, 2), word(inner, 4), word(inner, 6)}};
    RequestReader reader;
    const auto heard = reader.push(encode(outer) + inner);
    ASSERT_EQ(heard.size(), 2U);
    EXPECT_EQ(heard[0].request, outer);
    EXPECT_EQ(heard[1].request, two_inputs);
}

TEST(ModbusRequest, after_noise_that_seemed_to_begin_one_is_found_by_the_gap) {
    RequestReader reader;
    EXPECT_TRUE(reader.push(hex("01 10 00 00 00 02 F0") + encode(two_inputs)).empty());
    const auto heard = reader.gap();
    ASSERT_EQ(heard.size(), 1U);
    EXPECT_EQ(heard.front().request, two_inputs);
    EXPECT_TRUE(reader.gap().empty());
}

TEST(ModbusRequest, that_is_not_understood_is_refused_with_the_right_code) {
    const auto refusal_of = [](std::string frame) {
        const std::uint16_t crc = crc16(frame);
        frame += static_cast<char>(static_cast<unsigned char>(crc & 0xFFU));
        frame += static_cast<char>(static_cast<unsigned char>(crc >> 8U));
        RequestReader reader;
        auto heard = reader.push(frame);
        if (heard.empty()) {
            heard = reader.gap();
        }
        EXPECT_EQ(heard.size(), 1U);
        return heard.empty() || heard.front().request ? Exception{} : heard.front().refusal;
    };
    EXPECT_EQ(refusal_of(hex("01 2B 0E 01 00")), Exception::illegal_function);
    EXPECT_EQ(refusal_of(hex("01 03 00 00 00 00")), Exception::illegal_value);
    EXPECT_EQ(refusal_of(hex("01 03 00 00 00 7E")), Exception::illegal_value);
    EXPECT_EQ(refusal_of(hex("01 03 FF FF 00 02")), Exception::illegal_address);
    EXPECT_EQ(refusal_of(hex("01 05 00 00 12 34")), Exception::illegal_value);
    EXPECT_EQ(refusal_of(hex("01 10 00 00 00 02 03 40 48 F5")), Exception::illegal_value);
    EXPECT_EQ(refusal_of(hex("01 03 00")), Exception::illegal_value) << "found by the gap, with a right CRC";
    RequestReader reader;
    EXPECT_TRUE(reader.push("\x01\x03\x02").empty());
    EXPECT_TRUE(reader.gap().empty());
    EXPECT_EQ(reader.push(encode(two_inputs)).size(), 1U) << "the gap has cleared what was before";
}

TEST(ModbusRequest, reader_takes_any_bytes_in_any_pieces) {
    slowfilm::test::holds([] {
        const std::string bytes = *any_bytes();
        RequestReader whole;
        RequestReader cut;
        const auto one = whole.push(bytes);
        const auto other = all_of(cut, pieces_of(bytes, *any_cuts()));
        RC_ASSERT(one.size() == other.size());
        RC_ASSERT(whole.gap().size() == cut.gap().size());
    });
}

TEST(ModbusRequest, that_no_frame_can_hold_is_not_sendable) {
    EXPECT_TRUE(sendable(two_inputs));
    EXPECT_TRUE(sendable({247, Function::read_holding, 65'535, 1, {}}));
    EXPECT_FALSE(sendable({0, Function::read_holding, 0, 1, {}}));
    EXPECT_FALSE(sendable({248, Function::read_holding, 0, 1, {}}));
    EXPECT_FALSE(sendable({1, Function::read_holding, 65'535, 2, {}}));
    EXPECT_FALSE(sendable({1, Function::read_holding, 0, 126, {}}));
    EXPECT_FALSE(sendable({1, Function::read_coils, 0, 2'001, {}}));
    EXPECT_FALSE(sendable({1, Function::write_register, 0, 1, {}}));
    EXPECT_FALSE(sendable({1, Function::write_registers, 0, 124, std::vector<std::uint16_t>(124)}));
    EXPECT_FALSE(sendable({1, Function::write_registers, 0, 2, {1}}));
}

// --- Values

TEST(ModbusValues, have_their_type_and_scale) {
    const std::vector<std::uint16_t> one{0xFF38};
    EXPECT_DOUBLE_EQ(decode_value(one, {RegisterType::i16, WordOrder::abcd, 0.1, 0.0, -40, 200}).value(), -20.0);
    EXPECT_DOUBLE_EQ(decode_value(one, {RegisterType::u16, WordOrder::abcd, 1.0, 0.0, 0, 1e6}).value(), 65'336.0);
    EXPECT_DOUBLE_EQ(decode_value(one, {RegisterType::u16, WordOrder::badc, 1.0, 0.0, 0, 1e6}).value(), 0x38FF);
    const std::vector<std::uint16_t> two{0xFFFF, 0xFFFE};
    EXPECT_DOUBLE_EQ(decode_value(two, {RegisterType::i32, WordOrder::abcd, 1.0, 0.0, -10, 10}).value(), -2.0);
    EXPECT_DOUBLE_EQ(decode_value(two, {RegisterType::u32, WordOrder::abcd, 1.0, 0.0, 0, 5e9}).value(),
                     4'294'967'294.0);
}

TEST(ModbusValues, that_are_none_have_a_name) {
    const RegisterFormat temperature{RegisterType::f32, WordOrder::abcd, 1.0, 0.0, -20.0, 90.0};
    const auto fault_of = [&](std::vector<std::uint16_t> registers) {
        const auto value = decode_value(registers, temperature);
        EXPECT_FALSE(value);
        EXPECT_FALSE(describe(value.error()).empty());
        return value.error();
    };
    EXPECT_EQ(fault_of({0x7FC0, 0x0000}), ValueFault::not_finite);
    EXPECT_EQ(fault_of({0x7F80, 0x0000}), ValueFault::not_finite);
    EXPECT_EQ(fault_of({0xFF80, 0x0000}), ValueFault::not_finite);
    EXPECT_EQ(fault_of({0x4316, 0x0000}), ValueFault::implausible) << "150.0: an open sensor of some modules";
    EXPECT_EQ(fault_of({0x41C8}), ValueFault::wrong_count);
    EXPECT_EQ(fault_of({}), ValueFault::wrong_count);
    EXPECT_FALSE(decode_value(std::vector<std::uint16_t>{5}, {RegisterType::u16})) << "a range left out is no range";
}

TEST(ModbusValues, in_a_wrong_order_or_place_are_refused_by_their_range) {
    // 25.0 as float32 is 41C8 0000; its neighbours are 25.5 and 26.0.
    const std::vector<std::uint16_t> map{0x41CC, 0x0000, 0x41C8, 0x0000, 0x41D0, 0x0000};
    const auto at = [&](std::size_t address, WordOrder order) {
        return decode_value(std::span{map}.subspan(address, 2), {RegisterType::f32, order, 1.0, 0.0, 24.9, 25.1});
    };
    EXPECT_DOUBLE_EQ(at(2, WordOrder::abcd).value(), 25.0);
    for (const WordOrder order : {WordOrder::cdab, WordOrder::badc, WordOrder::dcba}) {
        EXPECT_FALSE(at(2, order));
    }
    EXPECT_FALSE(at(1, WordOrder::abcd));
    EXPECT_FALSE(at(3, WordOrder::abcd));
    const auto shown = readings_in_each_order(std::span{map}.subspan(2, 2), RegisterType::f32);
    ASSERT_EQ(shown.size(), 4U);
    EXPECT_DOUBLE_EQ(shown[0], 25.0);
    EXPECT_EQ(readings_in_each_order(map, RegisterType::f32).size(), 0U);
}

TEST(ModbusValues, come_back_from_every_type_and_order) {
    slowfilm::test::holds([] {
        const auto type = *rc::gen::element(RegisterType::u16, RegisterType::i16, RegisterType::u32, RegisterType::i32,
                                            RegisterType::f32);
        const auto order = *rc::gen::element(WordOrder::abcd, WordOrder::cdab, WordOrder::badc, WordOrder::dcba);
        const RegisterFormat format{type, order, 0.01, -5.0, -1e9, 1e9};
        const double value = static_cast<double>(*rc::gen::inRange(0, 30'000)) * 0.01 - 5.0;
        const auto registers = encode_value(value, format);
        RC_ASSERT(registers.has_value());
        RC_ASSERT(registers->size() == registers_of(type));
        RC_ASSERT(std::fabs(decode_value(*registers, format).value() - value) < 1e-4);
    });
    const RegisterFormat narrow{RegisterType::i16, WordOrder::abcd, 0.1, 0.0, -1e6, 1e6};
    EXPECT_EQ(encode_value(3'276.8, narrow).error(), ValueFault::implausible) << "does not fit 16 bits";
    EXPECT_EQ(encode_value(std::nan(""), narrow).error(), ValueFault::not_finite);
}

}  // namespace
}  // namespace slowfilm::wire::test
