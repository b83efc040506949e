// The board's firmware on a desk: its hardware is a handful of numbers, its time a counter, its host the real codec.
#pragma once

#include "daemon/wire/board/board.hpp"
#include "daemon/wire/board_link.hpp"

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include <gtest/gtest.h>

namespace slowfilm::wire::test {

using namespace literals;

struct Desk {
    board::Measured readings{.voltage = {3'600'000, true},
                             .terminals = {3'601'000, true},
                             .current = {0, true},
                             .temperature = {298'150, true},
                             .ambient = {296'150, true},
                             .contactor = board::Contactor::open};
    bool closed{false};
    bool takes{true};
    std::int64_t asked{0};
    std::string sent;

    [[nodiscard]] board::Hardware hardware() { return {this, open, drive, hold, measure, send}; }

  private:
    static Desk& of(void* self) { return *static_cast<Desk*>(self); }
    static void open(void* self) { of(self).closed = false; }
    static bool drive(void* self, std::int64_t current, std::int64_t, std::int64_t) {
        of(self).closed = of(self).takes;
        of(self).asked = current;
        return of(self).takes;
    }
    static bool hold(void* self, std::int64_t voltage, std::int64_t, std::int64_t) {
        return drive(self, voltage, 0, 0);
    }
    static void measure(void* self, board::Measured& into) { into = of(self).readings; }
    static void send(void* self, const char* bytes, std::size_t size) { of(self).sent.append(bytes, size); }
};

inline constexpr board::Fitted everything_fitted{.kind = 3,
                                                 .serial = 1'042,
                                                 .firmware = 7,
                                                 .voltage_least = 0,
                                                 .voltage_most = 5'000'000,
                                                 .source_most = 2'000'000,
                                                 .sink_most = 1'000'000,
                                                 .terminals = true,
                                                 .thermometer = true,
                                                 .ambient = true,
                                                 .contactor = true};

inline const BoardLimits usual_limits{4'250_mV, -100_mV, 1'200_mA, 50_degC, 1_s};
inline const DriveCurrent usual_drive{500_mA, 4'200_mV, 0_mV};

// A board and its host, wired to each other.
class Bench {
  public:
    explicit Bench(const board::Fitted& fitted = everything_fitted, std::uint32_t boot = 77)
        : board_{desk.hardware(), fitted, boot} {
        pass(1);
    }

    void pass(std::uint32_t ms, std::uint32_t step = 10) {
        for (std::uint32_t passed = 0; passed < ms; passed += step) {
            now_ += step;
            board_.tick(now_);
        }
    }
    [[nodiscard]] Time now() const { return {std::int64_t{now_} * 1'000}; }

    std::string raw(std::string_view bytes) {
        desk.sent.clear();
        for (const char byte : bytes) {
            board_.on_byte(byte);
        }
        return desk.sent;
    }
    // What the host makes of the answer.
    std::vector<BoardAnswer> ask_all(const BoardCommand& command) {
        return host.push(raw(host.ask(command, now())), now());
    }
    BoardAnswer ask(const BoardCommand& command) {
        const auto answers = ask_all(command);
        EXPECT_EQ(answers.size(), 1U);
        return answers.empty() ? BoardAnswer{tl::unexpected<BoardFault>{BoardFault::garbled}} : answers.front();
    }
    template <class Kind>
    Kind ask_for(const BoardCommand& command) {
        const BoardAnswer answer = ask(command);
        EXPECT_TRUE(answer.has_value()) << (answer ? "" : describe(answer.error()));
        const Kind* const kind = answer ? std::get_if<Kind>(&*answer) : nullptr;
        EXPECT_NE(kind, nullptr) << "another kind of answer";
        return kind == nullptr ? Kind{} : *kind;
    }
    board::Why refusal_of(const BoardCommand& command) {
        return static_cast<board::Why>(ask_for<BoardRefusal>(command).why);
    }
    // Off, limits written and read back, a heartbeat.
    void make_ready(const BoardLimits& limits = usual_limits) {
        (void)ask_for<Demand>(Demand{Open{}});
        EXPECT_EQ(ask_for<BoardLimits>(limits), limits);
        EXPECT_EQ(ask_for<BoardLimits>(BoardQuestion::limits), limits);
        (void)ask_for<BoardState>(BoardQuestion::heartbeat);
    }
    void drive() {
        make_ready();
        EXPECT_EQ(ask_for<Demand>(Demand{usual_drive}), Demand{usual_drive});
        EXPECT_TRUE(desk.closed);
    }
    void reset(std::uint32_t boot, const board::Fitted& fitted = everything_fitted) {
        board_ = board::Board{desk.hardware(), fitted, boot};
    }
    [[nodiscard]] board::Board& board() { return board_; }

    Desk desk;
    BoardHost host;

  private:
    board::Board board_;
    std::uint32_t now_{0};
};

inline std::vector<BoardAnswer> all_of_host(BoardHost& host, const std::vector<std::string>& pieces) {
    std::vector<BoardAnswer> all;
    for (const std::string& piece : pieces) {
        for (BoardAnswer& answer : host.push(piece, {})) {
            all.push_back(std::move(answer));
        }
    }
    return all;
}

// A line with a right CRC around any content.
inline std::string line_of(const std::string& content) {
    constexpr std::string_view digits = "0123456789ABCDEF";
    const unsigned crc = board::crc16(content.data(), content.size());
    std::string line = content + "*";
    for (const unsigned shift : {12U, 8U, 4U, 0U}) {
        line += digits[(crc >> shift) & 0xFU];
    }
    return line + "\n";
}

}  // namespace slowfilm::wire::test
