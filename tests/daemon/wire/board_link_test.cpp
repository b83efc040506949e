// The host's side of the channel-board link: what came is a reply to what was asked, or a fault with a name.
#include "tests/daemon/wire/board_on_a_desk.hpp"
#include "tests/daemon/wire/pieces.hpp"
#include "tests/property.hpp"

#include <string>
#include <vector>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::wire::test {
namespace {

using testing::HasSubstr;
using testing::SizeIs;

BoardFault only_fault(const std::vector<BoardAnswer>& answers) {
    EXPECT_THAT(answers, SizeIs(1));
    EXPECT_FALSE(answers.front().has_value());
    return answers.front().error();
}

std::string state_line(std::uint32_t number, std::uint32_t boot = 7, const std::string& readings = "v=3600000 i=0") {
    return line_of("<st n=" + std::to_string(number) + " boot=" + std::to_string(boot) + " " + readings +
                   " m=0 k=0 q=0 f=0 t=5 e=0");
}

TEST(BoardFrame, is_as_the_specification_shows_it) {
    BoardHost host;
    EXPECT_EQ(host.ask(BoardQuestion::heartbeat, {}), ">hb n=1*7751\n");
    EXPECT_EQ(BoardHost::off_frame(), "\n>off n=0*241E\n");
}

TEST(BoardFrame, of_any_bytes_in_any_pieces_gives_the_same) {
    slowfilm::test::holds([] {
        std::string bytes;
        for (const std::string& part : *rc::gen::container<std::vector<std::string>>(any_lines())) {
            bytes += *rc::gen::element(part, line_of(part), line_of("<" + part), part + "\n", state_line(1));
        }
        BoardHost whole;
        BoardHost cut;
        (void)whole.ask(BoardQuestion::state, {});
        (void)cut.ask(BoardQuestion::state, {});
        const auto one = whole.push(bytes, {});
        const auto other = all_of_host(cut, pieces_of(bytes, *any_cuts()));
        RC_ASSERT(one == other);
        RC_ASSERT(whole.garbled() == cut.garbled());
    });
}

TEST(BoardFrame, with_one_bit_flipped_is_no_reply) {
    const std::string good = state_line(1, 7, "v=4200000 i=-1250");
    for (std::size_t bit = 0; bit < 8 * good.size(); ++bit) {
        std::string bad = good;
        bad[bit / 8] = static_cast<char>(static_cast<unsigned char>(bad[bit / 8]) ^ (1U << (bit % 8)));
        BoardHost host;
        (void)host.ask(BoardQuestion::state, {});
        for (const BoardAnswer& answer : host.push(bad + "\n", {})) {
            EXPECT_FALSE(answer.has_value()) << "bit " << bit;
        }
    }
}

TEST(BoardFrame, with_a_digit_dropped_is_no_reply) {
    const std::string good = state_line(1, 7, "v=4200000 i=-1250");
    for (std::size_t at = 0; at + 1 < good.size(); ++at) {
        std::string bad = good;
        bad.erase(at, 1);
        BoardHost host;
        (void)host.ask(BoardQuestion::state, {});
        EXPECT_FALSE(host.push(bad, {}).front().has_value()) << at;
    }
}

TEST(BoardState, becomes_a_sample_dated_when_it_was_asked_for) {
    Bench bench;
    bench.desk.readings.current.value = -50'000;
    bench.desk.readings.mode = board::StageMode::at_floor;
    bench.desk.readings.contactor = board::Contactor::closed;
    bench.pass(500);
    const Time asked = bench.now();
    const std::string line = bench.raw(bench.host.ask(BoardQuestion::state, asked));
    bench.pass(200);
    const auto answers = bench.host.push(line, bench.now());
    const auto state = std::get<BoardState>(*answers.front());
    EXPECT_EQ(state.sample.voltage, (Reading<Voltage>{asked, 3'600_mV, Quality::good}));
    EXPECT_EQ(state.sample.terminals, (Reading<Voltage>{asked, 3'601_mV, Quality::good}));
    EXPECT_EQ(state.sample.current, (Reading<Current>{asked, -50_mA, Quality::good}));
    EXPECT_EQ(state.sample.temperature, (Reading<Temperature>{asked, 25_degC, Quality::good}));
    EXPECT_EQ(state.sample.ambient, (Reading<Temperature>{asked, 23_degC, Quality::good}));
    EXPECT_EQ(state.sample.mode, StageMode::at_floor);
    EXPECT_EQ(state.contactor, board::Contactor::closed);
    EXPECT_EQ(state.flags, 0U);
}

TEST(BoardState, of_other_readings_has_another_hash) {
    Bench bench;
    const auto first = bench.ask_for<BoardState>(BoardQuestion::state).sample.raw_hash;
    EXPECT_EQ(bench.ask_for<BoardState>(BoardQuestion::state).sample.raw_hash, first)
        << "the same words, other numbers";
    bench.desk.readings.voltage.value += 1;
    EXPECT_NE(bench.ask_for<BoardState>(BoardQuestion::state).sample.raw_hash, first);
}

TEST(BoardState, beyond_what_any_bench_measures_is_bad) {
    BoardHost host;
    (void)host.ask(BoardQuestion::state, {5});
    const auto answers = host.push(state_line(1, 7, "v=100000001 u=x i=-1000000001 T=173149 a=473151"), {6});
    const Sample sample = std::get<BoardState>(*answers.front()).sample;
    const Reading<Voltage> bad{{5}, {}, Quality::bad};
    EXPECT_EQ(sample.voltage, bad);
    EXPECT_EQ(sample.terminals, bad);
    EXPECT_EQ(sample.current.quality, Quality::bad);
    EXPECT_EQ(sample.temperature.quality, Quality::bad);
    EXPECT_EQ(sample.ambient.quality, Quality::bad);
}

TEST(BoardReply, that_lacks_something_is_malformed) {
    for (const char* const content :
         {"<st n=1 boot=7 v=1 m=0 k=0 q=0 f=0 t=5 e=0", "<st n=1 boot=7 i=0 m=0 k=0 q=0 f=0 t=5 e=0",
          "<st n=1 boot=7 v=1 i=0 m=9 k=0 q=0 f=0 t=5 e=0", "<st n=1 boot=7 v=1 i=0 m=0 k=0 q=0 f=x t=5 e=0",
          "<st n=1 v=1 i=0 m=0 k=0 q=0 f=0 t=5 e=0", "<st n=1 boot=0 v=1 i=0 m=0 k=0 q=0 f=0 t=5 e=0",
          "<hello n=1 boot=7", "<id n=1 boot=7 link=2", "<no n=1 boot=7", "<no n=1 boot=7 why=0",
          "<lim n=1 boot=7 vmax=1", "<cc n=1 boot=7 i=5", "<st n=1 boot=7 v=1 v=2 i=0 m=0 k=0 q=0 f=0 t=5 e=0",
          "<st n=1 boot=7 v=01 i=0 m=0 k=0 q=0 f=0 t=5 e=0", "<st n=1 boot=7 v=-0 i=0 m=0 k=0 q=0 f=0 t=5 e=0",
          "<st n=1 boot=7 v=1.5", "<"}) {
        BoardHost host;
        (void)host.ask(BoardQuestion::state, {});
        EXPECT_EQ(only_fault(host.push(line_of(content), {})), BoardFault::malformed) << content;
    }
}

TEST(BoardReply, to_another_question_is_never_taken) {
    BoardHost host;
    EXPECT_EQ(only_fault(host.push(state_line(1), {})), BoardFault::out_of_step) << "nothing was asked";
    (void)host.ask(BoardQuestion::state, {});
    (void)host.ask(BoardQuestion::state, {});
    EXPECT_EQ(only_fault(host.push(state_line(1), {})), BoardFault::out_of_step) << "late";
    EXPECT_TRUE(host.waiting());
    EXPECT_TRUE(host.push(state_line(2), {}).front().has_value());
    EXPECT_EQ(only_fault(host.push(state_line(2), {})), BoardFault::out_of_step) << "twice";
}

TEST(BoardReply, of_another_kind_than_asked_for_is_a_fault) {
    BoardHost host;
    (void)host.ask(BoardQuestion::identity, {});
    EXPECT_EQ(only_fault(host.push(state_line(1), {})), BoardFault::unexpected);
    (void)host.ask(Demand{usual_drive}, {});
    EXPECT_EQ(only_fault(host.push(line_of("<off n=2 boot=7"), {})), BoardFault::unexpected);
    (void)host.ask(Demand{Open{}}, {});
    EXPECT_EQ(only_fault(host.push(line_of("<no n=3 boot=7 why=4"), {})), BoardFault::unexpected)
        << "off is never refused";
}

TEST(BoardReply, echo_is_told_and_what_follows_it_counts) {
    BoardHost host;
    const std::string sent = host.ask(BoardQuestion::state, {});
    const auto answers = host.push(sent + state_line(1), {});
    ASSERT_THAT(answers, SizeIs(2));
    EXPECT_EQ(answers[0].error(), BoardFault::echo);
    EXPECT_TRUE(answers[1].has_value());
}

TEST(BoardReply, from_a_board_that_restarted_is_told_once) {
    Bench bench;
    bench.drive();
    bench.reset(78);
    EXPECT_FALSE(bench.desk.closed);
    EXPECT_EQ(bench.ask(BoardQuestion::heartbeat).error(), BoardFault::rebooted);
    EXPECT_EQ(bench.host.boot(), 78U);
    EXPECT_FALSE(bench.host.waiting());
    EXPECT_EQ(bench.refusal_of(Demand{usual_drive}), board::Why::no_limits) << "its limits are gone";
}

TEST(BoardHost, tells_a_burst_of_garbled_lines_from_one) {
    BoardHost host;
    (void)host.push("x\n", {});
    (void)host.push("x\n", {});
    EXPECT_FALSE(host.garbled_burst());
    (void)host.push("x\n", {});
    EXPECT_TRUE(host.garbled_burst()) << "three in a row";
    EXPECT_EQ(host.garbled(), 3);
    host.reset();
    EXPECT_FALSE(host.garbled_burst());
    for (int pair = 0; pair < 8; ++pair) {
        EXPECT_FALSE(host.garbled_burst()) << pair;
        (void)host.push(state_line(1) + "x\n", {});
    }
    EXPECT_TRUE(host.garbled_burst()) << "half of them";
    EXPECT_EQ(only_fault(host.push(std::string(513, 'y') + "\n", {})), BoardFault::too_long);
}

TEST(BoardHost, is_stale_when_no_reply_came_for_too_long) {
    BoardHost host;
    EXPECT_FALSE(host.stale({1'000'000}, 1_s)) << "nothing was asked yet";
    (void)host.ask(BoardQuestion::state, {0});
    EXPECT_FALSE(host.stale({1'000'000}, 1_s));
    EXPECT_TRUE(host.stale({1'000'001}, 1_s));
    (void)host.push(state_line(1), {1'000'001});
    EXPECT_FALSE(host.stale({2'000'001}, 1_s));
    (void)host.ask(BoardQuestion::state, {1'500'000});
    (void)host.push("garbage\n" + state_line(1), {1'900'000});
    EXPECT_TRUE(host.stale({2'000'002}, 1_s)) << "neither questions nor garbage are replies";
}

TEST(BoardHost, forgets_half_a_line_and_the_open_question_on_reset) {
    BoardHost host;
    (void)host.ask(BoardQuestion::state, {});
    const std::string line = state_line(1);
    (void)host.push(line.substr(0, 20), {});
    host.reset();
    EXPECT_FALSE(host.waiting());
    EXPECT_EQ(only_fault(host.push(line, {})), BoardFault::out_of_step);
}

TEST(BoardHost, sends_what_is_never_more_than_was_asked) {
    const BoardLimits limits{Voltage{4'250'000'999}, Voltage{-100'000'999}, Current{1'200'000'999}, 50_degC, 1_s};
    EXPECT_EQ(as_sent(limits), (BoardLimits{4'250_mV, Voltage{-100'000'000}, 1'200_mA, 50_degC, 1_s}));
    EXPECT_EQ(as_sent(Demand{DriveCurrent{Current{-999}, Voltage{-1}, Voltage{1}}}),
              (Demand{DriveCurrent{Current{0}, Voltage{-1'000}, Voltage{1'000}}}));
    EXPECT_EQ(as_sent(Demand{HoldVoltage{Voltage{4'200'000'500}, Current{999}, Current{1'001}}}),
              (Demand{HoldVoltage{Voltage{4'200'001'000}, Current{0}, Current{1'000}}}));
    slowfilm::test::holds([] {
        Bench bench;
        bench.make_ready();
        const DriveCurrent drive{{*rc::gen::inRange<std::int64_t>(-1'000'000'000, 1'200'000'000)},
                                 {*rc::gen::inRange<std::int64_t>(2'000'000'000, 4'250'000'000)},
                                 {*rc::gen::inRange<std::int64_t>(0, 1'999'000'000)}};
        RC_ASSERT(std::get<Demand>(*bench.ask(Demand{drive})) == as_sent(drive));
        RC_ASSERT(std::get<Demand>(*bench.ask(BoardQuestion::setting)) == as_sent(drive));
    });
}

TEST(BoardHost, says_every_fault_and_refusal_in_words) {
    for (int why = 0; why < 256; ++why) {
        EXPECT_FALSE(describe(BoardRefusal{static_cast<std::uint8_t>(why)}).empty());
    }
    EXPECT_THAT(describe(BoardRefusal{6}), HasSubstr("not read back"));
    EXPECT_THAT(describe(BoardRefusal{200}), HasSubstr("200"));
    EXPECT_EQ(describe_latch(board::latched | board::no_heartbeat | board::over_voltage),
              "no heartbeat came; over-voltage");
    EXPECT_EQ(describe_latch(board::output_closed), "");
}

}  // namespace
}  // namespace slowfilm::wire::test
