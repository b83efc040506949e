// What a board makes of a host's lines: whatever comes, no current without limits, read back, and a heartbeat.
#include "daemon/wire/board/board.hpp"

#include "tests/fuzz/board_line.hpp"

using namespace slowfilm::wire::board;
using slowfilm::fuzz::require;

namespace {

struct Hands {
    bool closed{false};
    std::string sent;
};

Hands& of(void* self) {
    return *static_cast<Hands*>(self);
}

Hardware hardware(Hands& hands) {
    return {&hands,
            [](void* self) { of(self).closed = false; },
            [](void* self, std::int64_t, std::int64_t, std::int64_t) { return of(self).closed = true; },
            [](void* self, std::int64_t, std::int64_t, std::int64_t) { return of(self).closed = true; },
            [](void*, Measured& into) {
                into.voltage = {3'600'000, true};
                into.current = {0, true};
                into.temperature = {298'150, true};
            },
            [](void* self, const char* bytes, std::size_t size) { of(self).sent.append(bytes, size); }};
}

void check_lines(const std::string& sent) {
    LineAssembler lines;
    Record record;
    for (const char byte : sent) {
        const auto got = lines.on_byte(byte);
        require(got == LineAssembler::Got::nothing || got == LineAssembler::Got::line, "what is sent is a line");
        if (got == LineAssembler::Got::line) {
            require(take_apart(lines.content(), lines.size(), record), "with fields");
            require(record.direction == from_board, "from the board");
        }
    }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    slowfilm::fuzz::Input input{data, size};
    const std::string bytes = input.choose(2) == 1 ? input.rest() : slowfilm::fuzz::with_crcs(input.rest());
    Hands hands;
    const Fitted fitted{
        .voltage_most = 5'000'000, .source_most = 2'000'000, .sink_most = 2'000'000, .thermometer = true};
    Board board{hardware(hands), fitted, 9};
    std::uint32_t now = 0;
    bool beaten = false;
    for (const char byte : bytes) {
        hands.sent.clear();
        board.on_byte(byte);
        beaten = beaten || hands.sent.starts_with("<st");
        require(hands.closed == board.closed(), "the stage is as the board believes");
        constexpr std::uint32_t needed = limits_written | limits_read;
        require(!hands.closed || ((board.flags() & needed) == needed && beaten), "current only when all was given");
        require(!hands.closed || (board.flags() & latched) == 0, "no current while latched");
        check_lines(hands.sent);
        if (byte == '\n') {
            board.tick(now += 50);
        }
    }
    for (int ms = 0; ms <= 61'000; ms += 1'000) {
        board.tick(now += 1'000);
    }
    require(!hands.closed, "without a heartbeat it opens in the end");
    return 0;
}
