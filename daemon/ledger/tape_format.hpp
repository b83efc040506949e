// What coder and decoder of the tape agree on.
#pragma once

#include "daemon/ledger/tape.hpp"

#include <array>
#include <cstdint>

namespace slowfilm::ledger::tape_format {

inline constexpr char version = 1;
inline constexpr std::size_t crc_size = 4;

// The head byte: the kind of input in its low three bits, then what follows it.
inline constexpr std::uint8_t kind_mask = 0x07;
inline constexpr std::uint8_t has_sequence = 0x08;  // not the one after the last
inline constexpr std::uint8_t has_time = 0x10;      // not on the beat of its kind
inline constexpr std::uint8_t has_shape = 0x20;     // of a sample: qualities or mode differ from the sample before
inline constexpr std::uint8_t has_offsets = 0x40;   // of a sample: a reading's time is not where the one before had it
inline constexpr std::uint8_t has_hash = 0x80;      // of a sample: the raw words' hash differs

inline constexpr std::uint8_t has_scales =
    0x20;  // of a sample's second byte, whose low five bits say which values follow

// Kinds as they are on the tape; never renumbered.
enum class Kind : std::uint8_t { tick, sample, command, applied, channel_fault, group_trip, gap, rare };
// What comes seldom shares a kind, and a byte says which.
enum class Rare : std::uint8_t { record_lost, test_grant, crossed, gathered };
enum class DemandKind : std::uint8_t { open, drive_current, hold_voltage };

inline constexpr std::array<std::int64_t, TapeContext::scale_max + 1> power_of_ten{
    1, 10, 100, 1'000, 10'000, 100'000, 1'000'000, 10'000'000, 100'000'000, 1'000'000'000};

// Differences wrap, so that any two 64-bit numbers have one.
constexpr std::int64_t minus(std::int64_t a, std::int64_t b) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) - static_cast<std::uint64_t>(b));
}
constexpr std::int64_t plus(std::int64_t a, std::int64_t b) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) + static_cast<std::uint64_t>(b));
}
constexpr std::int64_t times(std::int64_t a, std::int64_t b) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) * static_cast<std::uint64_t>(b));
}
constexpr std::uint64_t zigzag(std::int64_t n) {
    return (static_cast<std::uint64_t>(n) << 1U) ^ (n < 0 ? ~std::uint64_t{0} : 0U);
}
constexpr std::int64_t unzigzag(std::uint64_t n) {
    return static_cast<std::int64_t>((n >> 1U) ^ ((n & 1U) != 0 ? ~std::uint64_t{0} : 0U));
}

// A sample's readings without their units, in the order of the tape.
struct PlainReading {
    std::int64_t time{0}, value{0};
    Quality quality{Quality::absent};
};
using PlainReadings = std::array<PlainReading, TapeContext::readings>;

template <class Q>
PlainReading plain(const Reading<Q>& reading) {
    return {reading.time.count, reading.value.count, reading.quality};
}
inline PlainReadings plain(const Sample& s) {
    return {plain(s.voltage), plain(s.terminals), plain(s.current), plain(s.temperature), plain(s.ambient)};
}
template <class Q>
void restore(Reading<Q>& reading, const PlainReading& from) {
    reading = {{from.time}, {from.value}, from.quality};
}
inline void restore(Sample& s, const PlainReadings& from) {
    restore(s.voltage, from[0]);
    restore(s.terminals, from[1]);
    restore(s.current, from[2]);
    restore(s.temperature, from[3]);
    restore(s.ambient, from[4]);
}

// Qualities, two bits each, and the mode above them.
inline std::uint16_t shape_of(const PlainReadings& readings, StageMode mode) {
    unsigned shape = static_cast<unsigned>(mode) << 10U;
    for (std::size_t i = 0; i < readings.size(); ++i) {
        shape |= static_cast<unsigned>(readings[i].quality) << (2 * i);
    }
    return static_cast<std::uint16_t>(shape);
}

// What is foretold, the same on both sides.
inline std::int64_t foretold_time(const TapeContext& context, Kind kind) {
    const auto& rhythm = context.rhythm[static_cast<std::size_t>(kind)];
    return rhythm.seen ? plus(rhythm.time, rhythm.step) : context.time;
}
inline std::int64_t foretold_value(const TapeContext& context, std::size_t reading, Quality quality) {
    return quality == Quality::good ? context.value[reading] : 0;
}
inline std::int64_t foretold_reading_time(const TapeContext& context, std::size_t reading, Quality quality,
                                          std::int64_t time) {
    return quality == Quality::absent ? 0 : plus(time, context.offset[reading]);
}

inline void remember(TapeContext& context, Kind kind, std::uint64_t sequence, std::int64_t time) {
    auto& rhythm = context.rhythm[static_cast<std::size_t>(kind)];
    rhythm.step = rhythm.seen ? minus(time, rhythm.time) : 0;
    rhythm.time = time;
    rhythm.seen = true;
    context.sequence = sequence;
    context.time = time;
}
inline void remember(TapeContext& context, const Sample& sample, const PlainReadings& readings, std::int64_t time) {
    for (std::size_t i = 0; i < readings.size(); ++i) {
        if (readings[i].quality == Quality::good)
            context.value[i] = readings[i].value;
        if (readings[i].quality != Quality::absent)
            context.offset[i] = minus(readings[i].time, time);
    }
    context.sample = sample;
}

}  // namespace slowfilm::ledger::tape_format
