#include "daemon/ledger/tape.hpp"

#include "daemon/ledger/crc32.hpp"
#include "tests/daemon/ledger/ledger_samples.hpp"

#include <limits>

#include <rapidcheck/gtest.h>

namespace slowfilm::ledger {
namespace {

// Mostly what happens, now and then the ends of the range.
rc::Gen<std::int64_t> any_count() {
    return rc::gen::weightedOneOf<std::int64_t>(
        {{6, rc::gen::inRange<std::int64_t>(-5'000'000'000, 5'000'000'000)},
         {2, rc::gen::map(rc::gen::inRange<std::int64_t>(-50'000, 50'000), [](std::int64_t n) { return n * 100'000; })},
         {1, rc::gen::arbitrary<std::int64_t>()},
         {1, rc::gen::element(std::numeric_limits<std::int64_t>::min(), std::numeric_limits<std::int64_t>::max(),
                              std::int64_t{0})}});
}

template <class Q>
Reading<Q> any_reading() {
    return {{*any_count()}, {*any_count()}, *rc::gen::element(Quality::absent, Quality::bad, Quality::good)};
}

Sample any_sample() {
    Sample s;
    s.voltage = any_reading<Voltage>();
    s.terminals = any_reading<Voltage>();
    s.current = any_reading<Current>();
    s.temperature = any_reading<Temperature>();
    s.ambient = any_reading<Temperature>();
    s.mode = static_cast<StageMode>(*rc::gen::inRange(0, 6));
    s.raw_hash = *rc::gen::element<std::uint32_t>(0U, 1U, 0xFFFFFFFFU, 0x12345678U);
    return s;
}

Demand any_demand() {
    switch (*rc::gen::inRange(0, 3)) {
        case 0: return Open{};
        case 1: return DriveCurrent{{*any_count()}, {*any_count()}, {*any_count()}};
        default: return HoldVoltage{{*any_count()}, {*any_count()}, {*any_count()}};
    }
}

InputBody any_body(const Sample& before) {
    switch (*rc::gen::inRange(0, 10)) {
        case 0: return Tick{};
        case 1: return any_sample();
        case 2: return Command{static_cast<CommandKind>(*rc::gen::inRange(0, 6))};
        case 3: return Applied{any_demand()};
        case 4: return ChannelFault{static_cast<FaultKind>(*rc::gen::inRange(0, 5))};
        case 5: return GroupTrip{*rc::gen::arbitrary<std::uint32_t>()};
        case 6: return Gap{{*any_count()}};
        case 7: return RecordLost{};
        default: {  // a sample much like the one before: what most of a tape is
            Sample s = before;
            s.voltage.value.count += *rc::gen::inRange<std::int64_t>(-3, 4) * 100'000;
            s.voltage.quality = *rc::gen::element(Quality::good, Quality::good, Quality::bad);
            s.current.value.count += *rc::gen::inRange<std::int64_t>(-3, 4);
            return s;
        }
    }
}

std::vector<Input> any_inputs() {
    std::vector<Input> inputs(static_cast<std::size_t>(*rc::gen::inRange(1, 40)));
    std::uint64_t sequence = *rc::gen::weightedOneOf<std::uint64_t>(
        {{4, rc::gen::inRange<std::uint64_t>(1, 100'000)}, {1, rc::gen::arbitrary<std::uint64_t>()}});
    Sample before;
    before.voltage = {{}, 3700'000'000, Quality::good};
    for (Input& input : inputs) {
        input.sequence = sequence;
        sequence += *rc::gen::element<std::uint64_t>(1, 1, 1, 1, 2, 1000);
        input.time = {*any_count()};
        input.body = any_body(before);
        if (const auto* sample = std::get_if<Sample>(&input.body);
            sample != nullptr && sample->voltage.value.count > -1'000'000'000'000 &&
            sample->voltage.value.count < 1'000'000'000'000 && sample->current.value.count > -1'000'000'000'000 &&
            sample->current.value.count < 1'000'000'000'000) {
            before = *sample;
        }
    }
    return inputs;
}

std::string encoded(const std::vector<Input>& inputs) {
    TapeEncoder encoder;
    for (const Input& input : inputs) encoder.add(input);
    return encoder.take();
}

std::string sealed(std::string bytes) {
    const std::uint32_t crc = crc32(bytes);
    for (unsigned shift = 0; shift < 32; shift += 8) bytes.push_back(static_cast<char>(crc >> shift));
    return bytes;
}

TEST(Crc32, has_the_catalogue_s_check_value) {
    // CRC-32/ISO-HDLC of "123456789": CBF43926 (catalogue of parametrised CRC algorithms); of one zero byte: D202EF8D.
    EXPECT_EQ(crc32("123456789"), 0xCBF43926U);
    EXPECT_EQ(crc32(std::string_view("\0", 1)), 0xD202EF8DU);
    EXPECT_EQ(crc32(""), 0U);
}

RC_GTEST_PROP(Tape, gives_back_the_very_same_inputs, ()) {
    const auto inputs = any_inputs();
    const auto decoded = decode_tape(encoded(inputs));
    RC_ASSERT(decoded.has_value());
    RC_ASSERT(*decoded == inputs);
}

TEST(Tape, gives_back_every_quality_of_every_reading) {
    std::vector<Input> inputs;
    const auto quality = [](int n) { return static_cast<Quality>(n % 3); };
    for (int n = 0; n < 243; ++n) {
        const Time time{1'000'000 * (n + 1)};
        Sample s;
        s.voltage = {time, {n * 7}, quality(n)};
        s.terminals = {time, {n * 70}, quality(n / 3)};
        s.current = {time, {-n}, quality(n / 9)};
        s.temperature = {time, {298'150 + n}, quality(n / 27)};
        s.ambient = {time, {n * 1000}, quality(n / 81)};
        inputs.push_back({static_cast<std::uint64_t>(n) + 1, time, s});
    }
    const auto decoded = decode_tape(encoded(inputs));
    ASSERT_TRUE(decoded) << decoded.error().message;
    EXPECT_EQ(*decoded, inputs);
}

TEST(Tape, an_encoder_is_empty_again_after_take_and_its_next_chunk_stands_alone) {
    TapeEncoder encoder;
    EXPECT_TRUE(encoder.empty());
    EXPECT_EQ(encoder.take(), "");
    std::mt19937_64 noise{7};
    const Input first = charging_sample(41, {41'000'000}, noise);
    const Input second = charging_sample(42, {42'000'000}, noise);
    encoder.add(first);
    EXPECT_FALSE(encoder.empty());
    EXPECT_EQ(encoder.first_sequence(), 41U);
    EXPECT_EQ(encoder.last_sequence(), 41U);
    static_cast<void>(encoder.take());
    EXPECT_TRUE(encoder.empty());
    encoder.add(second);
    EXPECT_EQ(encoder.first_sequence(), 42U);
    const auto decoded = decode_tape(encoder.take());
    ASSERT_TRUE(decoded) << decoded.error().message;
    EXPECT_EQ(*decoded, std::vector<Input>{second});
}

RC_GTEST_PROP(Tape, notices_any_single_byte_that_changed, ()) {
    const std::string chunk = encoded(any_inputs());
    const auto place = *rc::gen::inRange<std::size_t>(0, chunk.size());
    std::string garbled = chunk;
    garbled[place] = static_cast<char>(static_cast<std::uint8_t>(garbled[place]) ^ *rc::gen::inRange(1, 256));
    const auto decoded = decode_tape(garbled);
    RC_ASSERT(!decoded.has_value());
    RC_ASSERT(decoded.error().failure == Failure::bad_data);
    RC_ASSERT(decoded.error().message.find("at byte ") != std::string::npos);
}

RC_GTEST_PROP(Tape, notices_every_cut, ()) {
    const std::string chunk = encoded(any_inputs());
    const auto length = *rc::gen::inRange<std::size_t>(0, chunk.size());
    RC_ASSERT(!decode_tape(std::string_view(chunk).substr(0, length)).has_value());
}

// With the checksum made to fit, the decoder itself must stand up to anything.
RC_GTEST_PROP(Tape, decodes_or_refuses_any_bytes_and_never_more_inputs_than_bytes, ()) {
    const auto bytes = *rc::gen::container<std::string>(
        rc::gen::map(rc::gen::inRange(0, 256), [](int n) { return static_cast<char>(n); }));
    const auto decoded = decode_tape(sealed("\x01" + bytes));
    if (decoded) {
        RC_ASSERT(decoded->size() <= bytes.size());
    } else {
        RC_ASSERT(decoded.error().failure == Failure::bad_data);
    }
}

RC_GTEST_PROP(Tape, garbled_chunks_with_a_fitting_checksum_are_refused_or_decode_to_what_encodes_again, ()) {
    std::string chunk = encoded(any_inputs());
    chunk.resize(chunk.size() - 4);
    const auto place = *rc::gen::inRange<std::size_t>(1, chunk.size());
    chunk[place] = static_cast<char>(*rc::gen::inRange(0, 256));
    const auto decoded = decode_tape(sealed(chunk));
    if (!decoded)
        return;
    const auto again = decode_tape(encoded(*decoded));
    RC_ASSERT(again.has_value());
    RC_ASSERT(*again == *decoded);
}

TEST(Tape, refuses_what_no_encoder_writes_and_says_where) {
    const auto complaint = [](const std::string& bytes) {
        const auto decoded = decode_tape(sealed("\x01" + bytes));
        return decoded ? "decoded " + std::to_string(decoded->size()) : decoded.error().message;
    };
    using testing::HasSubstr;
    EXPECT_THAT(complaint("\x02\x09"), HasSubstr("at byte 3: no such command"));
    EXPECT_THAT(complaint("\x04\x05"), HasSubstr("no such fault of a channel"));
    EXPECT_THAT(complaint("\x03\x03"), HasSubstr("no such kind of demand"));
    EXPECT_THAT(complaint("\x02"), HasSubstr("at byte 2: an input is cut short"));
    EXPECT_THAT(complaint("\x20"), HasSubstr("flags that mean nothing"));
    EXPECT_THAT(complaint(std::string("\x01\x40", 2)), HasSubstr("flags that mean nothing"));
    EXPECT_THAT(complaint("\x10" + std::string(10, '\xFF')), HasSubstr("more than 64 bits"));
    EXPECT_THAT(complaint("\x05" + std::string(9, '\xFF') + "\x01"), HasSubstr("more than 32 bits"));
    EXPECT_THAT(complaint(std::string("\x21\x00\x03\x00", 4)), HasSubstr("no such quality"));
    EXPECT_THAT(complaint(std::string("\x21\x00\x00\xFC", 4)), HasSubstr("no such mode"));
    EXPECT_THAT(complaint("\x01\x20\x0F" + std::string(2, '\0')), HasSubstr("scale is too large"));
    EXPECT_THAT(complaint(std::string("\x00", 1)), HasSubstr("decoded 1"));
    const auto other_version = decode_tape(sealed(std::string("\x02\x00", 2)));
    ASSERT_FALSE(other_version);
    EXPECT_THAT(other_version.error().message, HasSubstr("its version is 2"));
}

// The design asks for about 6 bytes a sample; ticks come besides and cost one each.
TEST(Tape, takes_about_six_bytes_a_sample_of_a_constant_current_charge) {
    std::mt19937_64 noise{11};
    TapeEncoder samples_only;
    TapeEncoder with_ticks;
    std::uint64_t sequence = 0;
    constexpr int count = 3600;
    for (int second = 1; second <= count; ++second) {
        const Time time{second * 1'000'000LL};
        Input sample = charging_sample(static_cast<std::uint64_t>(second), time, noise);
        samples_only.add(sample);
        sample.sequence = ++sequence;
        with_ticks.add(sample);
        with_ticks.add({++sequence, time + Duration{500'000}, Tick{}});
    }
    const double plain = static_cast<double>(samples_only.take().size()) / count;
    const double ticked = static_cast<double>(with_ticks.take().size()) / count;
    RecordProperty("bytes_a_sample", std::to_string(plain));
    RecordProperty("bytes_a_sample_and_tick", std::to_string(ticked));
    EXPECT_LT(plain, 6.5);
    EXPECT_LT(ticked, plain + 1.01);
}

}  // namespace
}  // namespace slowfilm::ledger
