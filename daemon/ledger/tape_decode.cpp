#include "daemon/ledger/crc32.hpp"
#include "daemon/ledger/tape.hpp"
#include "daemon/ledger/tape_format.hpp"

#include <algorithm>
#include <string>

namespace slowfilm::ledger {
namespace {

using namespace tape_format;

// ---------------------------------------------------------------------------------------------------------

// Walks the bytes; once something is wrong it stays wrong and gives zeros, so that callers check at the end of an
// input.
class Cursor {
  public:
    explicit Cursor(std::string_view bytes) : bytes_(bytes) {}
    [[nodiscard]] bool at_end() const { return place_ == bytes_.size(); }
    [[nodiscard]] std::size_t place() const { return place_; }
    [[nodiscard]] const char* wrong() const { return wrong_; }
    void complain(const char* what) {
        if (wrong_ == nullptr)
            wrong_ = what;
    }

    std::uint8_t byte() {
        if (wrong_ != nullptr)
            return 0;
        if (at_end()) {
            complain("an input is cut short");
            return 0;
        }
        return static_cast<std::uint8_t>(bytes_[place_++]);
    }
    std::uint64_t unsigned_number() {
        std::uint64_t value = 0;
        for (unsigned shift = 0; shift < 64; shift += 7) {
            const std::uint8_t part = byte();
            if (shift == 63 && part > 1)
                break;
            value |= std::uint64_t{part & 0x7FU} << shift;
            if ((part & 0x80U) == 0)
                return value;
        }
        complain("a number has more than 64 bits");
        return 0;
    }
    std::int64_t signed_number() { return unzigzag(unsigned_number()); }
    std::uint32_t fixed(unsigned count) {
        std::uint32_t value = 0;
        for (unsigned i = 0; i < count; ++i) value |= std::uint32_t{byte()} << (8 * i);
        return value;
    }
    // An enum whose last value is known.
    template <class E>
    E one_of(std::uint64_t number, E last, const char* what) {
        if (number <= static_cast<std::uint64_t>(last))
            return static_cast<E>(number);
        complain(what);
        return E{};
    }

  private:
    std::string_view bytes_;
    std::size_t place_{0};
    const char* wrong_{nullptr};
};

Demand get_demand(Cursor& in) {
    switch (in.one_of(in.byte(), DemandKind::hold_voltage, "no such kind of demand")) {
        case DemandKind::open: return Open{};
        case DemandKind::drive_current: {
            DriveCurrent d;
            d.current = {in.signed_number()};
            d.ceiling = {in.signed_number()};
            d.floor = {in.signed_number()};
            return d;
        }
        case DemandKind::hold_voltage: {
            HoldVoltage d;
            d.voltage = {in.signed_number()};
            d.source_max = {in.signed_number()};
            d.sink_max = {in.signed_number()};
            return d;
        }
    }
    return Open{};
}

Sample get_sample(Cursor& in, TapeContext& context, std::uint8_t head, std::int64_t time) {
    const std::uint8_t mask = in.byte();
    if ((mask & 0xC0U) != 0)
        in.complain("a sample has flags that mean nothing");
    if ((mask & has_scales) != 0) {
        const std::uint32_t scales = in.fixed(3);
        if (scales >> 20U != 0)
            in.complain("a sample has scales that mean nothing");
        for (std::size_t i = 0; i < TapeContext::readings; ++i) {
            const auto scale = static_cast<std::uint8_t>((scales >> (4 * i)) & 0x0FU);
            if (scale > TapeContext::scale_max)
                in.complain("a reading's scale is too large");
            context.scale[i] = std::min(scale, TapeContext::scale_max);
        }
    }
    Sample sample = context.sample;
    PlainReadings readings = plain(sample);
    if ((head & has_shape) != 0) {
        const std::uint32_t shape = in.fixed(2);
        for (std::size_t i = 0; i < readings.size(); ++i) {
            readings[i].quality = in.one_of((shape >> (2 * i)) & 3U, Quality::good, "no such quality of a reading");
        }
        sample.mode = in.one_of(shape >> 10U, StageMode::constant_voltage, "no such mode of a stage");
    }
    for (std::size_t i = 0; i < readings.size(); ++i) {
        readings[i].time = foretold_reading_time(context, i, readings[i].quality, time);
        if ((head & has_offsets) != 0)
            readings[i].time = plus(readings[i].time, in.signed_number());
    }
    if ((head & has_hash) != 0)
        sample.raw_hash = in.fixed(4);
    for (std::size_t i = 0; i < readings.size(); ++i) {
        readings[i].value = foretold_value(context, i, readings[i].quality);
        if ((mask & (1U << i)) == 0)
            continue;
        readings[i].value = plus(readings[i].value, times(in.signed_number(), power_of_ten[context.scale[i]]));
    }
    restore(sample, readings);
    remember(context, sample, readings, time);
    return sample;
}

std::uint32_t get_origin(Cursor& in) {
    const std::uint64_t origin = in.unsigned_number();
    if (origin > 0xFFFFFFFFU)
        in.complain("a channel's index has more than 32 bits");
    return static_cast<std::uint32_t>(origin);
}

InputBody get_rare(Cursor& in) {
    switch (in.one_of(in.byte(), Rare::gathered, "no such input")) {
        case Rare::record_lost: return RecordLost{};
        case Rare::test_grant: return TestGrant{};
        case Rare::crossed: return Crossed{get_origin(in)};
        case Rare::gathered: return Gathered{};
    }
    return RecordLost{};
}

InputBody get_body(Cursor& in, TapeContext& context, std::uint8_t head, std::int64_t time) {
    switch (static_cast<Kind>(head & kind_mask)) {
        case Kind::tick: return Tick{};
        case Kind::sample: return get_sample(in, context, head, time);
        case Kind::command: return Command{in.one_of(in.byte(), CommandKind::stop, "no such command")};
        case Kind::applied: return Applied{get_demand(in)};
        case Kind::channel_fault:
            return ChannelFault{in.one_of(in.byte(), FaultKind::setting_changed, "no such fault of a channel")};
        case Kind::group_trip: return GroupTrip{get_origin(in)};
        case Kind::gap: return Gap{{plus(time, in.signed_number())}};
        case Kind::rare: return get_rare(in);
    }
    return Tick{};
}

Input get_input(Cursor& in, TapeContext& context) {
    const std::uint8_t head = in.byte();
    const auto kind = static_cast<Kind>(head & kind_mask);
    if (kind != Kind::sample && (head & (has_shape | has_offsets | has_hash)) != 0) {
        in.complain("an input has flags that mean nothing");
    }
    Input input;
    input.sequence = context.sequence + 1;
    if ((head & has_sequence) != 0)
        input.sequence += static_cast<std::uint64_t>(in.signed_number());
    input.time.count = foretold_time(context, kind);
    if ((head & has_time) != 0)
        input.time.count = plus(input.time.count, in.signed_number());
    input.body = get_body(in, context, head, input.time.count);
    remember(context, kind, input.sequence, input.time.count);
    return input;
}

tl::unexpected<Error> damaged(std::size_t byte, const std::string& what) {
    return fail(Failure::bad_data, "a chunk of the tape is damaged at byte " + std::to_string(byte) + ": " + what +
                                       "; take the ledger from a good copy");
}

}  // namespace

Result<std::vector<Input>> decode_tape(std::string_view chunk) {
    if (chunk.size() <= 1 + crc_size) {
        return damaged(chunk.size(), "it has " + std::to_string(chunk.size()) + " bytes, and the shortest has 6");
    }
    if (chunk.front() != version) {
        return damaged(0, "its version is " + std::to_string(static_cast<std::uint8_t>(chunk.front())) +
                              ", and this program reads version 1");
    }
    const std::string_view sealed = chunk.substr(0, chunk.size() - crc_size);
    Cursor seal(chunk.substr(sealed.size()));
    if (seal.fixed(crc_size) != crc32(sealed)) {
        return damaged(sealed.size(), "its checksum does not fit its " + std::to_string(sealed.size()) + " bytes");
    }
    std::vector<Input> inputs;
    TapeContext context;
    Cursor in(sealed.substr(1));
    while (!in.at_end()) {  // each turn takes a byte at least, so there are never more inputs than bytes
        const Input input = get_input(in, context);
        if (in.wrong() != nullptr)
            return damaged(1 + in.place(), in.wrong());
        inputs.push_back(input);
    }
    return inputs;
}

}  // namespace slowfilm::ledger
