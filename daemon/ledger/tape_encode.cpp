#include "daemon/ledger/crc32.hpp"
#include "daemon/ledger/tape.hpp"
#include "daemon/ledger/tape_format.hpp"

#include <utility>

namespace slowfilm::ledger {
namespace {

using namespace tape_format;

struct KindOf {
    Kind operator()(const Tick&) const { return Kind::tick; }
    Kind operator()(const Sample&) const { return Kind::sample; }
    Kind operator()(const Command&) const { return Kind::command; }
    Kind operator()(const Applied&) const { return Kind::applied; }
    Kind operator()(const ChannelFault&) const { return Kind::channel_fault; }
    Kind operator()(const GroupTrip&) const { return Kind::group_trip; }
    Kind operator()(const Gap&) const { return Kind::gap; }
    Kind operator()(const RecordLost&) const { return Kind::rare; }
    Kind operator()(const TestGrant&) const { return Kind::rare; }
    Kind operator()(const Crossed&) const { return Kind::rare; }
    Kind operator()(const Gathered&) const { return Kind::rare; }
};

// -----------------------------------------------------------------------------------------------------------

void put_byte(std::string& out, unsigned value) {
    out.push_back(static_cast<char>(static_cast<std::uint8_t>(value)));
}
void put_unsigned(std::string& out, std::uint64_t value) {
    while (value >= 0x80U) {
        put_byte(out, static_cast<unsigned>(value & 0x7FU) | 0x80U);
        value >>= 7U;
    }
    put_byte(out, static_cast<unsigned>(value));
}
void put_signed(std::string& out, std::int64_t value) {
    put_unsigned(out, zigzag(value));
}
void put_fixed(std::string& out, std::uint32_t value, int bytes) {
    for (int i = 0; i < bytes; ++i) put_byte(out, (value >> (8 * static_cast<unsigned>(i))) & 0xFFU);
}

struct PutDemand {
    std::string& out;
    void operator()(const Open&) const { put_byte(out, static_cast<unsigned>(DemandKind::open)); }
    void operator()(const DriveCurrent& d) const {
        put_byte(out, static_cast<unsigned>(DemandKind::drive_current));
        for (const std::int64_t n : {d.current.count, d.ceiling.count, d.floor.count}) put_signed(out, n);
    }
    void operator()(const HoldVoltage& d) const {
        put_byte(out, static_cast<unsigned>(DemandKind::hold_voltage));
        for (const std::int64_t n : {d.voltage.count, d.source_max.count, d.sink_max.count}) put_signed(out, n);
    }
};

// The largest power of ten up to `scale` that divides the difference.
std::uint8_t scale_for(std::int64_t difference, std::uint8_t scale) {
    while (scale > 0 && difference % power_of_ten[scale] != 0) --scale;
    return scale;
}

// The sample's own flags for the head byte; its bytes go to `body`.
std::uint8_t put_sample(std::string& body, TapeContext& context, const Sample& sample, std::int64_t time) {
    const PlainReadings readings = plain(sample);
    std::uint8_t head = 0;
    std::uint8_t mask = 0;
    std::array<std::int64_t, TapeContext::readings> late{};
    std::array<std::int64_t, TapeContext::readings> difference{};
    for (std::size_t i = 0; i < readings.size(); ++i) {
        const Quality quality = readings[i].quality;
        late[i] = minus(readings[i].time, foretold_reading_time(context, i, quality, time));
        if (late[i] != 0)
            head |= has_offsets;
        difference[i] = minus(readings[i].value, foretold_value(context, i, quality));
        if (difference[i] == 0)
            continue;
        mask |= static_cast<std::uint8_t>(1U << i);
        const std::uint8_t scale = scale_for(difference[i], context.scale[i]);
        if (scale != context.scale[i])
            mask |= has_scales;
        context.scale[i] = scale;
    }
    const std::uint16_t shape = shape_of(readings, sample.mode);
    if (shape != shape_of(plain(context.sample), context.sample.mode))
        head |= has_shape;
    if (sample.raw_hash != context.sample.raw_hash)
        head |= has_hash;

    put_byte(body, mask);
    if ((mask & has_scales) != 0) {
        std::uint32_t scales = 0;
        for (std::size_t i = 0; i < readings.size(); ++i) scales |= std::uint32_t{context.scale[i]} << (4 * i);
        put_fixed(body, scales, 3);
    }
    if ((head & has_shape) != 0)
        put_fixed(body, shape, 2);
    if ((head & has_offsets) != 0) {
        for (const std::int64_t n : late) put_signed(body, n);
    }
    if ((head & has_hash) != 0)
        put_fixed(body, sample.raw_hash, 4);
    for (std::size_t i = 0; i < readings.size(); ++i) {
        if (difference[i] != 0)
            put_signed(body, difference[i] / power_of_ten[context.scale[i]]);
    }
    remember(context, sample, readings, time);
    return head;
}

// Returns flags for the head byte.
struct PutBody {
    std::string& body;
    TapeContext& context;
    std::int64_t time;
    std::uint8_t operator()(const Tick&) const { return 0; }
    std::uint8_t operator()(const Sample& sample) const { return put_sample(body, context, sample, time); }
    std::uint8_t operator()(const Command& command) const {
        put_byte(body, static_cast<unsigned>(command.kind));
        return 0;
    }
    std::uint8_t operator()(const Applied& applied) const {
        std::visit(PutDemand{body}, applied.demand);
        return 0;
    }
    std::uint8_t operator()(const ChannelFault& fault) const {
        put_byte(body, static_cast<unsigned>(fault.kind));
        return 0;
    }
    std::uint8_t operator()(const GroupTrip& trip) const {
        put_unsigned(body, trip.origin);
        return 0;
    }
    std::uint8_t operator()(const Gap& gap) const {
        put_signed(body, minus(gap.from.count, time));
        return 0;
    }
    std::uint8_t operator()(const RecordLost&) const { return put_rare(Rare::record_lost); }
    std::uint8_t operator()(const TestGrant&) const { return put_rare(Rare::test_grant); }
    std::uint8_t operator()(const Crossed& crossed) const {
        put_rare(Rare::crossed);
        put_unsigned(body, crossed.origin);
        return 0;
    }
    std::uint8_t operator()(const Gathered&) const { return put_rare(Rare::gathered); }
    std::uint8_t put_rare(Rare which) const {
        put_byte(body, static_cast<unsigned>(which));
        return 0;
    }
};

}  // namespace

void TapeEncoder::add(const Input& input) {
    if (bytes_.empty()) {
        context_ = {};
        first_ = input.sequence;
        bytes_.push_back(version);
    }
    const Kind kind = std::visit(KindOf{}, input.body);
    auto head = static_cast<std::uint8_t>(kind);
    const std::size_t head_place = bytes_.size();
    bytes_.push_back(0);
    const auto jump = static_cast<std::int64_t>(input.sequence - (context_.sequence + 1));
    if (jump != 0) {
        head |= has_sequence;
        put_signed(bytes_, jump);
    }
    const std::int64_t late = minus(input.time.count, foretold_time(context_, kind));
    if (late != 0) {
        head |= has_time;
        put_signed(bytes_, late);
    }
    head |= std::visit(PutBody{bytes_, context_, input.time.count}, input.body);
    bytes_[head_place] = static_cast<char>(head);
    remember(context_, kind, input.sequence, input.time.count);
}

std::string TapeEncoder::take() {
    if (bytes_.empty())
        return {};
    put_fixed(bytes_, crc32(bytes_), static_cast<int>(crc_size));
    std::string chunk;
    chunk.swap(bytes_);
    return chunk;
}

}  // namespace slowfilm::ledger
