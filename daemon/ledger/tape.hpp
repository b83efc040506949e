// The tape: every input of a run, delta-coded, about 6 bytes a sample. Decoding gives back the very same inputs.
//
// A chunk is a version byte, the inputs, and a CRC-32 over both (low byte first). An input is a head byte and only what
// could not be foretold from the inputs before it in the same chunk: numbers as zigzag varints of the difference,
// readings in the largest power of ten that has divided all their differences so far (an instrument's resolution makes
// that small).
#pragma once

#include "daemon/core/input.hpp"
#include "daemon/core/result.hpp"

#include <array>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::ledger {

// What coder and decoder both know when the next input comes, and foretell it from.
struct TapeContext {
    static constexpr std::size_t kinds = 8;     // of tape_format::Kind
    static constexpr std::size_t readings = 5;  // of a Sample
    static constexpr std::uint8_t scale_max = 9;

    struct Rhythm {  // of one kind of input: ticks come on their own beat, and so do samples
        bool seen{false};
        std::int64_t time{0}, step{0};
    };
    std::uint64_t sequence{0};
    std::int64_t time{0};
    std::array<Rhythm, kinds> rhythm{};
    Sample sample;                                // the one before
    std::array<std::int64_t, readings> value{};   // the last good ones
    std::array<std::int64_t, readings> offset{};  // of a reading's time from its input's
    std::array<std::uint8_t, readings> scale{scale_max, scale_max, scale_max, scale_max, scale_max};
};

// Encodes the inputs of one run into chunks. Each chunk stands alone: deltas start anew in it.
class TapeEncoder {
  public:
    void add(const Input& input);
    [[nodiscard]] bool empty() const { return bytes_.empty(); }
    [[nodiscard]] std::size_t size() const { return bytes_.size(); }
    [[nodiscard]] std::uint64_t first_sequence() const { return first_; }
    [[nodiscard]] std::uint64_t last_sequence() const { return context_.sequence; }
    // The chunk's bytes; the encoder is empty afterwards.
    [[nodiscard]] std::string take();

  private:
    std::string bytes_;
    std::uint64_t first_{0};
    TapeContext context_;
};

// A damaged or cut chunk is an error that says at which byte, never a guess.
[[nodiscard]] Result<std::vector<Input>> decode_tape(std::string_view chunk);

}  // namespace slowfilm::ledger
