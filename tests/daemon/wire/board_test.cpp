// What a board does and refuses: config/board-link.md, sentence by sentence.
#include "tests/daemon/wire/board_on_a_desk.hpp"
#include "tests/daemon/wire/pieces.hpp"
#include "tests/property.hpp"

#include <fstream>
#include <string>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::wire::test {
namespace {

using board::Why;
using testing::HasSubstr;
using testing::Not;
using testing::StartsWith;

TEST(Board, starts_open_and_without_limits) {
    Desk desk;
    desk.closed = true;
    board::Board board{desk.hardware(), everything_fitted, 5};
    EXPECT_FALSE(desk.closed);
    EXPECT_FALSE(board.closed());
    EXPECT_EQ(board.flags(), 0U);
}

TEST(Board, keeps_opening_while_it_is_to_be_open) {
    Bench bench;
    bench.desk.closed = true;  // something closed it behind the board's back
    bench.pass(10);
    EXPECT_FALSE(bench.desk.closed);
}

TEST(Board, gives_current_only_with_limits_read_back_and_a_heartbeat) {
    Bench bench;
    (void)bench.ask(Demand{Open{}});
    EXPECT_EQ(bench.refusal_of(Demand{usual_drive}), Why::no_limits);
    EXPECT_EQ(bench.refusal_of(BoardQuestion::limits), Why::no_limits);
    (void)bench.ask_for<BoardLimits>(usual_limits);
    EXPECT_EQ(bench.refusal_of(Demand{usual_drive}), Why::limits_not_read);
    (void)bench.ask_for<BoardLimits>(BoardQuestion::limits);
    EXPECT_EQ(bench.refusal_of(Demand{usual_drive}), Why::no_heartbeat);
    (void)bench.ask_for<BoardState>(BoardQuestion::state);
    EXPECT_EQ(bench.refusal_of(Demand{usual_drive}), Why::no_heartbeat) << "a question is no heartbeat";
    (void)bench.ask_for<BoardState>(BoardQuestion::heartbeat);
    EXPECT_FALSE(bench.desk.closed);
    (void)bench.ask_for<Demand>(Demand{usual_drive});
    EXPECT_TRUE(bench.desk.closed);
    EXPECT_EQ(bench.desk.asked, 500'000);
    EXPECT_EQ(bench.ask_for<Demand>(BoardQuestion::setting), Demand{usual_drive});
}

TEST(Board, wants_limits_read_back_anew_after_each_writing) {
    Bench bench;
    bench.make_ready();
    (void)bench.ask_for<BoardLimits>(usual_limits);
    EXPECT_EQ(bench.refusal_of(Demand{usual_drive}), Why::limits_not_read);
}

TEST(Board, refuses_what_is_beyond_its_rating_or_its_limits) {
    Bench bench;
    bench.make_ready({4'250_mV, -100_mV, 1'200_mA, 50_degC, 1_s});
    const auto why = [&](const Demand& demand) { return bench.refusal_of(demand); };
    EXPECT_EQ(why(DriveCurrent{2'001_mA, 4'200_mV, 0_mV}), Why::outside_fitted);
    EXPECT_EQ(why(DriveCurrent{-1'001_mA, 4'200_mV, 0_mV}), Why::outside_fitted);
    EXPECT_EQ(why(DriveCurrent{1'201_mA, 4'200_mV, 0_mV}), Why::outside_limits);
    EXPECT_EQ(why(DriveCurrent{500_mA, 5'001_mV, 0_mV}), Why::outside_fitted);
    EXPECT_EQ(why(DriveCurrent{500_mA, 4'251_mV, 0_mV}), Why::outside_limits);
    EXPECT_EQ(why(DriveCurrent{500_mA, 4'200_mV, -1_mV}), Why::outside_fitted);
    EXPECT_EQ(why(DriveCurrent{500_mA, 3'000_mV, 3'000_mV}), Why::outside_fitted);
    EXPECT_EQ(why(HoldVoltage{4'251_mV, 500_mA, 0_mA}), Why::outside_limits);
    EXPECT_EQ(why(HoldVoltage{4'200_mV, 1'201_mA, 0_mA}), Why::outside_limits);
    EXPECT_EQ(why(HoldVoltage{4'200_mV, -1_mA, 0_mA}), Why::outside_fitted);
    EXPECT_EQ(why(HoldVoltage{4'200_mV, 500_mA, 1'001_mA}), Why::outside_fitted);
    EXPECT_FALSE(bench.desk.closed);
    const HoldVoltage good{4'200_mV, 1'200_mA, 500_mA};
    EXPECT_EQ(bench.ask_for<Demand>(Demand{good}), Demand{good});
    EXPECT_TRUE(bench.desk.closed);
}

TEST(Board, that_cannot_sink_refuses_to_discharge) {
    board::Fitted supply = everything_fitted;
    supply.sink_most = 0;
    Bench bench{supply};
    bench.make_ready();
    EXPECT_EQ(bench.refusal_of(Demand{DriveCurrent{-1_mA, 4'200_mV, 0_mV}}), Why::outside_fitted);
    EXPECT_EQ(bench.refusal_of(Demand{HoldVoltage{4'200_mV, 1_mA, 1_mA}}), Why::outside_fitted);
}

TEST(Board, takes_no_limits_that_protect_nothing) {
    Bench bench;
    (void)bench.ask(Demand{Open{}});
    const auto refuses = [&](BoardLimits limits) { return bench.refusal_of(limits) == Why::outside_fitted; };
    auto limits = usual_limits;
    limits.voltage_max = 5'001_mV;
    EXPECT_TRUE(refuses(limits));
    limits = usual_limits;
    limits.voltage_min = limits.voltage_max;
    EXPECT_TRUE(refuses(limits));
    limits = usual_limits;
    limits.current_max = 0_mA;
    EXPECT_TRUE(refuses(limits));
    limits.current_max = 2'001_mA;
    EXPECT_TRUE(refuses(limits));
    limits = usual_limits;
    limits.temperature_max.reset();
    EXPECT_TRUE(refuses(limits)) << "a thermometer is fitted";
    limits = usual_limits;
    limits.watchdog = 199_ms;
    EXPECT_TRUE(refuses(limits));
    limits.watchdog = 60'001_ms;
    EXPECT_TRUE(refuses(limits));
}

TEST(Board, without_a_thermometer_takes_no_temperature_limit) {
    board::Fitted bare = everything_fitted;
    bare.thermometer = false;
    bare.terminals = bare.ambient = false;
    Bench bench{bare};
    (void)bench.ask(Demand{Open{}});
    EXPECT_EQ(bench.refusal_of(usual_limits), Why::outside_fitted);
    auto limits = usual_limits;
    limits.temperature_max.reset();
    bench.make_ready(limits);
    (void)bench.ask_for<Demand>(Demand{usual_drive});
    bench.desk.readings.temperature.good = false;
    bench.pass(100);
    EXPECT_TRUE(bench.desk.closed) << "what is not fitted cannot fail";
    const auto state = bench.ask_for<BoardState>(BoardQuestion::state);
    EXPECT_EQ(state.sample.temperature.quality, Quality::absent);
    EXPECT_EQ(state.sample.terminals.quality, Quality::absent);
    EXPECT_EQ(state.sample.ambient.quality, Quality::absent);
}

TEST(Board, keeps_its_limits_while_current_flows) {
    Bench bench;
    bench.drive();
    EXPECT_EQ(bench.refusal_of(usual_limits), Why::output_closed);
    EXPECT_EQ(bench.refusal_of(BoardQuestion::clear), Why::output_closed);
    EXPECT_TRUE(bench.desk.closed);
}

// --- The specification

TEST(Board, knows_each_word_of_the_specification_and_no_other) {
    std::ifstream file{SLOWFILM_SOURCE_DIR "/config/board-link.md"};
    ASSERT_TRUE(file);
    int words = 0;
    std::string line;
    for (bool in_commands = false; std::getline(file, line);) {
        in_commands = line.starts_with("| command") || (in_commands && line.starts_with("|"));
        if (in_commands && line.starts_with("| `")) {
            const std::string word = line.substr(3, line.find('`', 3) - 3);
            Bench bench;
            EXPECT_THAT(bench.raw(line_of(">" + word + " n=1")), Not(HasSubstr("why=1*"))) << word;
            EXPECT_THAT(bench.raw(line_of(">" + word + "z n=2")), HasSubstr("why=1*")) << word;
            ++words;
        }
        if (const std::size_t at = line.find("`>");
            at != std::string::npos && line.find('*', at) != std::string::npos) {
            const std::string example = line.substr(at + 1, line.find('`', at + 1) - at - 1);
            EXPECT_EQ(example + "\n", line_of(example.substr(0, example.find('*'))));
            ++words;
        }
    }
    EXPECT_EQ(words, 11) << "ten commands and an example line";
}

// --- Off

TEST(Board, takes_off_with_any_number_and_with_none) {
    for (const char* const content :
         {">off n=1", ">off n=0", ">off n=4294967295", ">off", ">off n=-5", ">off n=x", ">off n=99999999999999999999",
          ">off n=1 n=1", ">off when=7", ">off x", ">off=3"}) {
        Bench bench;
        bench.drive();
        EXPECT_THAT(bench.raw(line_of(content)), StartsWith("<off n=")) << content;
        EXPECT_FALSE(bench.desk.closed) << content;
        EXPECT_FALSE(bench.board().closed()) << content;
    }
}

TEST(Board, takes_the_guardians_frame_after_half_a_line) {
    Bench bench;
    bench.drive();
    (void)bench.raw(">cc n=9 i=1200000 ce");
    EXPECT_THAT(bench.raw(BoardHost::off_frame()), StartsWith("<off n=0 boot=77"));
    EXPECT_FALSE(bench.desk.closed);
}

TEST(Board, does_not_close_on_what_is_no_off) {
    for (const char* const content : {"off n=1", "<off n=1", ">offf n=1", ">of n=1", ">OFF n=1"}) {
        Bench bench;
        bench.drive();
        (void)bench.raw(line_of(content));
        EXPECT_TRUE(bench.desk.closed) << content;
    }
    Bench bench;
    bench.drive();
    (void)bench.raw(">off n=1*0000\n");
    EXPECT_TRUE(bench.desk.closed) << "a wrong CRC";
}

TEST(Board, counts_on_from_the_number_of_an_off) {
    Bench bench;
    EXPECT_THAT(bench.raw(line_of(">get n=500")), StartsWith("<st n=500"));
    EXPECT_THAT(bench.raw(line_of(">get n=1")), HasSubstr("why=3"));
    EXPECT_THAT(bench.raw(line_of(">off n=0")), StartsWith("<off n=0"));
    EXPECT_THAT(bench.raw(line_of(">get n=1")), StartsWith("<st n=1"));
}

// --- Numbers

TEST(Board, refuses_a_number_that_is_not_newer) {
    Bench bench;
    EXPECT_THAT(bench.raw(line_of(">get n=10")), StartsWith("<st"));
    for (const char* const old : {">get n=10", ">get n=9", ">get n=1", ">get n=2147483658"}) {
        EXPECT_THAT(bench.raw(line_of(old)), HasSubstr("why=3")) << old;
    }
    EXPECT_THAT(bench.raw(line_of(">get n=2147483657")), StartsWith("<st"));
    EXPECT_THAT(bench.raw(line_of(">get n=4294967295")), StartsWith("<st"));
    EXPECT_THAT(bench.raw(line_of(">get n=1")), StartsWith("<st")) << "on from 1";
}

TEST(Board, refuses_what_is_malformed_and_says_so) {
    for (const char* const content : {">get",
                                      ">get n=0",
                                      ">get n=-1",
                                      ">get n=x",
                                      ">get n=4294967296",
                                      ">get n=1 m=2",
                                      ">get n=01",
                                      ">get n=+1",
                                      ">get n=1.5",
                                      ">get  n=1",
                                      ">get n=1 ",
                                      ">get n=",
                                      ">get n",
                                      ">get n=1 n=2",
                                      ">cc n=1 i=5",
                                      ">",
                                      "> n=1",
                                      ">get toolong=1",
                                      ">cc n=2 i=x ceil=1 flr=0",
                                      ">cc n=3 i=1 ceil=1 flr=0 more=1"}) {
        Bench bench;
        EXPECT_THAT(bench.raw(line_of(content)), HasSubstr("why=2")) << content;
    }
    Bench bench;
    EXPECT_THAT(bench.raw(line_of(">what n=9")), HasSubstr("why=1"));
}

TEST(Board, answers_nothing_that_is_garbled_or_no_command) {
    Bench bench;
    for (const char* const bytes : {"\n", ">get n=1\n", ">get n=1*0000\n", ">get n=1*7a9f\n"}) {
        EXPECT_EQ(bench.raw(bytes), "") << bytes;
    }
    for (const char* const content : {"<get n=1", "get n=1", "<no n=1 boot=77 why=3", ""}) {
        EXPECT_EQ(bench.raw(line_of(content)), "") << content;
    }
    EXPECT_EQ(bench.raw(line_of(">get\x01 n=1")), "");
    EXPECT_EQ(bench.raw(std::string(600, 'x') + "\n"), "");
    const auto state = bench.ask_for<BoardState>(BoardQuestion::state);
    EXPECT_EQ(state.refused_lines, 6) << "four without a CRC, one not printable, one too long";
}

// --- Watchdog and latch

TEST(Board, opens_and_latches_when_the_heartbeat_stops) {
    Bench bench;
    bench.drive();
    for (int beat = 0; beat < 5; ++beat) {
        bench.pass(990);
        (void)bench.ask_for<BoardState>(BoardQuestion::heartbeat);
        EXPECT_TRUE(bench.desk.closed);
    }
    bench.pass(1'000);
    EXPECT_TRUE(bench.desk.closed) << "within the second";
    bench.pass(10);
    EXPECT_FALSE(bench.desk.closed);
    EXPECT_EQ(bench.refusal_of(Demand{usual_drive}), Why::latched);
    EXPECT_EQ(bench.refusal_of(BoardQuestion::clear), Why::cause_lasts) << "still no heartbeat";
    const auto state = bench.ask_for<BoardState>(BoardQuestion::heartbeat);
    EXPECT_TRUE(state.has(board::latched) && state.has(board::no_heartbeat)) << describe_latch(state.flags);
    EXPECT_EQ(bench.refusal_of(Demand{usual_drive}), Why::latched) << "a heartbeat does not unlatch";
    EXPECT_EQ(bench.ask_for<Demand>(Demand{Open{}}), Demand{Open{}});
    EXPECT_EQ(bench.refusal_of(Demand{usual_drive}), Why::latched) << "nor does off";
    EXPECT_FALSE(bench.ask_for<BoardState>(BoardQuestion::clear).has(board::latched));
    EXPECT_FALSE(bench.desk.closed) << "clearing gives no current";
    (void)bench.ask_for<Demand>(Demand{usual_drive});
    EXPECT_TRUE(bench.desk.closed);
}

TEST(Board, counts_no_other_line_as_a_heartbeat) {
    Bench bench;
    bench.drive();
    for (int question = 0; question < 150; ++question) {
        bench.pass(10);
        (void)bench.ask_for<BoardState>(BoardQuestion::state);
        (void)bench.raw(line_of(">hb n=1"));         // an old number
        (void)bench.raw(">hb n=4000000000*0000\n");  // a wrong CRC
    }
    EXPECT_FALSE(bench.desk.closed);
}

TEST(Board, opens_when_its_clock_leaps) {
    Bench bench;
    bench.drive();
    bench.board().tick(5);  // backwards: as if 49 days had passed
    EXPECT_FALSE(bench.desk.closed);
}

TEST(Board, trips_on_the_third_reading_outside_a_limit) {
    const auto with = [](auto change) {
        Bench bench;
        bench.drive();
        const board::Measured good = bench.desk.readings;
        change(bench.desk.readings);
        bench.pass(20);
        EXPECT_TRUE(bench.desk.closed) << "two readings";
        bench.desk.readings = good;
        bench.pass(10);
        change(bench.desk.readings);
        bench.pass(20);
        EXPECT_TRUE(bench.desk.closed) << "two again";
        bench.pass(10);
        EXPECT_FALSE(bench.desk.closed);
        EXPECT_EQ(bench.refusal_of(BoardQuestion::clear), Why::cause_lasts);
        const std::uint32_t causes = bench.board().flags() & board::latch_causes;
        bench.desk.readings = good;
        (void)bench.ask_for<BoardState>(BoardQuestion::heartbeat);
        (void)bench.ask_for<BoardState>(BoardQuestion::clear);
        EXPECT_EQ(bench.board().flags() & board::latch_causes, 0U);
        return causes;
    };
    EXPECT_EQ(with([](board::Measured& m) { m.voltage.value = 4'250'001; }), board::over_voltage);
    EXPECT_EQ(with([](board::Measured& m) { m.voltage.value = -100'001; }), board::under_voltage);
    EXPECT_EQ(with([](board::Measured& m) { m.current.value = 1'200'001; }), board::over_current);
    EXPECT_EQ(with([](board::Measured& m) { m.current.value = -1'200'001; }), board::over_current);
    EXPECT_EQ(with([](board::Measured& m) { m.temperature.value = 323'151; }), board::over_temperature);
    EXPECT_EQ(with([](board::Measured& m) { m.voltage.good = false; }), board::sensor_failed);
    EXPECT_EQ(with([](board::Measured& m) { m.current.good = false; }), board::sensor_failed);
    EXPECT_EQ(with([](board::Measured& m) { m.temperature.good = false; }), board::sensor_failed);
}

TEST(Board, does_not_let_failed_readings_hide_those_outside) {
    Bench bench;
    bench.drive();
    bench.desk.readings.voltage.value = 4'300'000;
    for (int reading = 0; reading < 5; ++reading) {
        bench.desk.readings.voltage.good = reading % 2 == 0;
        bench.pass(10);
    }
    EXPECT_FALSE(bench.desk.closed);
    EXPECT_TRUE((bench.board().flags() & board::over_voltage) != 0);
}

TEST(Board, gives_no_current_to_a_cell_that_is_outside_its_limits) {
    Bench bench;
    bench.make_ready();
    bench.desk.readings.temperature.value = 323'151;
    bench.pass(10);
    EXPECT_EQ(bench.refusal_of(Demand{usual_drive}), Why::cause_lasts);
    EXPECT_FALSE(bench.desk.closed);
}

TEST(Board, latches_when_the_stage_fails_or_does_not_take_it) {
    Bench bench;
    bench.drive();
    bench.desk.readings.stage_failed = true;
    bench.pass(10);
    EXPECT_FALSE(bench.desk.closed);
    EXPECT_TRUE((bench.board().flags() & board::stage_failed) != 0);

    Bench other;
    other.make_ready();
    other.desk.takes = false;
    EXPECT_EQ(other.refusal_of(Demand{usual_drive}), Why::stage_failed);
    EXPECT_FALSE(other.desk.closed);
    EXPECT_EQ(other.refusal_of(Demand{usual_drive}), Why::latched);
}

// --- What it tells

TEST(Board, never_sends_a_value_that_it_has_not_measured) {
    Bench bench;
    bench.desk.readings.voltage.good = false;
    bench.desk.readings.temperature.good = false;
    const auto state = bench.ask_for<BoardState>(BoardQuestion::state);
    EXPECT_EQ(state.sample.voltage.quality, Quality::bad);
    EXPECT_EQ(state.sample.temperature.quality, Quality::bad);
    EXPECT_EQ(state.sample.current.quality, Quality::good);
}

TEST(Board, counts_charge_over_its_ticks) {
    Bench bench;
    bench.desk.readings.current.value = 360'000;
    bench.pass(10'000);
    EXPECT_EQ(bench.ask_for<BoardState>(BoardQuestion::state).charge, 1_mAh);
    bench.desk.readings.current.value = -720'000;
    bench.pass(10'000);
    EXPECT_EQ(bench.ask_for<BoardState>(BoardQuestion::state).charge, -1_mAh);
    bench.pass(5'000, 5'000);
    EXPECT_EQ(bench.ask_for<BoardState>(BoardQuestion::state).charge, -1_mAh) << "nothing over a pause of its ticks";
}

TEST(Board, tells_what_is_fitted) {
    Bench bench;
    EXPECT_EQ(bench.ask_for<BoardIdentity>(BoardQuestion::identity),
              (BoardIdentity{3, 1'042, 7, 0_mV, 5'000_mV, 2'000_mA, 1'000_mA, true, true, true, true}));
}

TEST(Board, keeps_its_longest_line_within_the_bound) {
    Desk desk;
    board::Fitted most = everything_fitted;
    most.kind = most.serial = most.firmware = 0xFFFF'FFFF;
    most.voltage_least = most.voltage_most = most.source_most = most.sink_most = INT64_MIN;
    board::Board board{desk.hardware(), most, 0xFFFF'FFFF};
    const board::Measure longest{INT64_MIN, true};
    desk.readings = {longest, longest, longest, longest, longest};
    for (const char byte : line_of(">off n=4294967293") + line_of(">get n=4294967294") + line_of(">id n=4294967295")) {
        board.on_byte(byte);
    }
    EXPECT_THAT(desk.sent, HasSubstr("<st n=4294967294 boot=4294967295 v=-9223372036854775808"));
    EXPECT_THAT(desk.sent, HasSubstr("<id n=4294967295"));
    for (std::size_t begin = 0; begin < desk.sent.size();) {
        const std::size_t end = desk.sent.find('\n', begin) + 1;
        EXPECT_LE(end - begin, board::line_most);
        begin = end;
    }
}

TEST(BoardProperty, closes_only_when_all_that_it_asks_for_was_given) {
    int times_closed = 0;
    slowfilm::test::holds([&times_closed] {
        Bench bench;
        (void)bench.ask(Demand{Open{}});
        bool read_back = false;
        bool written = false;
        std::uint32_t since_beat = 1'000'000;
        const int steps = *rc::gen::inRange(0, 60);
        for (int step = 0; step < steps; ++step) {
            const bool was_closed = bench.desk.closed;
            switch (*rc::gen::inRange(0, 9)) {
                case 0: (void)bench.ask(Demand{usual_drive}); break;
                case 1: (void)bench.ask(Demand{HoldVoltage{4'000_mV, 1_mA, 1_mA}}); break;
                case 2:
                    written = std::holds_alternative<BoardLimits>(*bench.ask(usual_limits)) || written;
                    read_back = read_back && was_closed;
                    break;
                case 3: read_back = std::holds_alternative<BoardLimits>(*bench.ask(BoardQuestion::limits)); break;
                case 4:
                    (void)bench.ask(BoardQuestion::heartbeat);
                    since_beat = 0;
                    break;
                case 5: {
                    const auto ms = static_cast<std::uint32_t>(*rc::gen::inRange(1, 120) * 10);
                    bench.pass(ms);
                    since_beat += ms;
                    break;
                }
                case 6: (void)bench.ask(BoardQuestion::clear); break;
                case 7: (void)bench.ask(Demand{Open{}}); break;
                default:
                    (void)bench.raw(*any_bytes());
                    (void)bench.raw("\n");
                    break;
            }
            times_closed += bench.desk.closed && !was_closed ? 1 : 0;
            RC_ASSERT(bench.desk.closed == bench.board().closed());
            RC_ASSERT(!bench.desk.closed || (written && read_back && since_beat <= 1'000));
            RC_ASSERT(!bench.desk.closed || (bench.board().flags() & board::latched) == 0);
        }
    });
    EXPECT_GT(times_closed, 0) << "or nothing was shown";
}

}  // namespace
}  // namespace slowfilm::wire::test
