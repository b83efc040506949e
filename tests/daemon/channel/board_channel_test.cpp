// The driver of channel boards against the virtual board, whose firmware is the reference of the link's page, over a
// real pseudo-terminal, its clock driven by hand.
#include "daemon/channel/board_channel.hpp"

#include "tests/daemon/channel/virtual_board.hpp"

#include <chrono>
#include <filesystem>
#include <optional>

#include <gmock/gmock.h>

namespace slowfilm::channel {
namespace {

using namespace literals;
using test::Folder;
using test::ScriptedPeer;
using test::World;
using ::testing::AllOf;
using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::EndsWith;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;
using ::testing::StartsWith;

const DriveCurrent charge{.current = 500_mA, .ceiling = 4200_mV, .floor = 2500_mV};
const HoldVoltage hold{.voltage = 3500_mV, .source_max = 200_mA, .sink_max = 200_mA};

BoardChannelOptions good_options(const std::string& path) {
    BoardChannelOptions options;
    options.port = {.path = path, .baud = 115'200};
    options.answer = 100_ms;
    options.serial = 17;
    options.limits = {4300_mV, 1500_mV, Current{2'200'000'000}, 60_degC, 4_s};
    options.has_thermometer = true;
    options.traits.period = 1_s;
    options.traits.voltage_min = 2000_mV;
    options.traits.voltage_max = 4250_mV;
    options.traits.source_max = options.traits.sink_max = Current{2'000'000'000};
    options.traits.voltage_accuracy = 1_mV;
    options.traits.current_accuracy = 1_mA;
    options.traits.reports_ceiling = true;
    options.traits.has_contactor = true;
    options.traits.reads_terminals = true;
    return options;
}

class BoardChannelTest : public ::testing::Test {
  protected:
    BoardChannelTest()
        : board_(world_, R"(format = 1
[[cell]]
name = "c1"
like = "NMC/graphite"
model = "circuit"
capacity = "5 Ah"
state = "formed"
[[instrument]]
name = "b"
kind = "channel board"
cell = "c1"
off_state = "relay open"
serial = 17
contactor = true
answer = "0 ms"
baud = 1000000
current = { source_max = "3 A", sink_max = "3 A" }
)") {}

    void make(const BoardChannelOptions& options) {
        auto line = std::make_unique<BoardLine>(world_.io, world_.timing, options,
                                                guardian_ ? Guarding{&*guardian_, 7} : Guarding{});
        world_.join(line->link(), peer_);
        Result<std::unique_ptr<Channel>> made = make_board_channel(options, std::move(line));
        ASSERT_TRUE(made) << made.error().message;
        channel_ = std::move(*made);
        channel_->on_fault([this](FaultKind kind) { faults_.push_back(kind); });
    }
    void begin() {
        make(good_options(peer_.pty.path()));
        until_ready();
    }
    void until_ready(Duration within = 20_s) {
        ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, within)) << channel_->health().trouble;
    }
    // "taken", or the fault's number.
    std::string applied(const Demand& demand) {
        std::string outcome = "-";
        channel_->apply(demand, world_.timing.steady(), [&outcome](const Result<Demand, FaultKind>& taken) {
            EXPECT_EQ(outcome, "-") << "answered twice";
            outcome = taken ? "taken" : word(taken.error());
        });
        world_.until([&outcome] { return outcome != "-"; }, 5_s);
        return outcome;
    }
    Sample sample() {
        std::optional<Sample> got;
        channel_->sample(world_.timing.steady(), [&got](const Sample& one) {
            EXPECT_FALSE(got) << "answered twice";
            got = one;
        });
        world_.until([&got] { return got.has_value(); }, 5_s);
        EXPECT_TRUE(got.has_value());
        return got.value_or(Sample{});
    }
    // As the bench does: a reading a second.
    void live(int seconds) {
        for (int i = 0; i < seconds; ++i) {
            (void)sample();
            world_.pass(1_s);
        }
    }
    [[nodiscard]] std::string words_since(std::size_t from) const {
        std::string words;
        for (std::size_t i = from; i < peer_.lines.size(); ++i) {
            words += (words.empty() ? "" : " ") + peer_.lines[i].substr(1, peer_.lines[i].find(' ') - 1);
        }
        return words;
    }
    bool closed() { return board_.describe("b").find("output closed") != std::string::npos; }
    static std::string word(FaultKind kind) { return "fault " + std::to_string(static_cast<int>(kind)); }

    Folder folder_;
    World world_;
    test::VirtualInstruments board_;
    std::function<std::string(std::string)> tamper_;  // with what the board says
    ScriptedPeer peer_{folder_.file("board"), [this](const std::string& line) {
                           const std::string said = board_.hear("b", line + "\n");
                           return tamper_ ? tamper_(said) : said;
                       }};
    std::optional<Guardian> guardian_;
    std::unique_ptr<Channel> channel_;
    std::vector<FaultKind> faults_;
};

TEST_F(BoardChannelTest, is_brought_up_off_first_and_its_limits_are_read_back) {
    begin();
    EXPECT_EQ(words_since(0), "off id lim rlim hb");
    const Health health = channel_->health();
    EXPECT_EQ(health.trouble, "");
    EXPECT_EQ(health.identity, "channel board, kind 1, number 17, firmware 1");
    EXPECT_THAT(health.settings,
                AllOf(HasSubstr("1.5 V to 4.3 V, 2.2 A, 60 degC, heartbeat within 4 s"), HasSubstr("output off")));
}

TEST_F(BoardChannelTest, drives_holds_and_opens_and_reads_each_back) {
    begin();
    const double rest = volts(sample().voltage.value);
    std::size_t before = peer_.lines.size();
    ASSERT_EQ(applied(charge), "taken") << channel_->health().trouble;
    EXPECT_EQ(words_since(before), "hb cc rset");
    EXPECT_TRUE(closed());
    const Sample driven = sample();
    EXPECT_NEAR(amperes(driven.current.value), 0.5, 2e-3);
    EXPECT_GT(volts(driven.voltage.value), rest);
    EXPECT_NEAR(celsius(driven.temperature.value), 25.0, 0.5);
    EXPECT_TRUE(driven.terminals.good());
    EXPECT_EQ(driven.mode, StageMode::constant_current);
    const HoldVoltage there{driven.voltage.value, Current{2'000'000'000}, Current{2'000'000'000}};
    ASSERT_EQ(applied(there), "taken") << channel_->health().trouble;
    EXPECT_EQ(sample().mode, StageMode::constant_voltage);
    before = peer_.lines.size();
    ASSERT_EQ(applied(Open{}), "taken");
    EXPECT_EQ(words_since(before), "off rset");
    EXPECT_FALSE(closed());
    EXPECT_EQ(sample().mode, StageMode::open);
    EXPECT_THAT(faults_, IsEmpty());
}

TEST_F(BoardChannelTest, a_reading_is_dated_when_it_was_asked_for) {
    begin();
    world_.pass(3_s);
    std::optional<Sample> got;
    channel_->sample(Time{777'000'000}, [&got](const Sample& one) { got = one; });
    ASSERT_TRUE(world_.until([&] { return got.has_value(); }, 1_s));
    EXPECT_EQ(got->voltage.time, Time{777'000'000});
    EXPECT_EQ(got->current.time, Time{777'000'000});
    EXPECT_EQ(got->ambient.quality, Quality::absent);
}

TEST_F(BoardChannelTest, each_reading_is_a_heartbeat_and_without_readings_the_board_latches_by_itself) {
    begin();
    ASSERT_EQ(applied(charge), "taken");
    live(60);
    EXPECT_TRUE(closed()) << "60 s are fifteen times its patience";
    EXPECT_THAT(faults_, IsEmpty());
    world_.pass(6_s);  // nobody looks
    EXPECT_FALSE(closed()) << "the board's own doing";
    (void)sample();
    EXPECT_THAT(faults_, ElementsAre(FaultKind::opened_itself));
    EXPECT_THAT(channel_->health().trouble, HasSubstr("no heartbeat came"));
    EXPECT_EQ(applied(Open{}), "taken");
    EXPECT_EQ(applied(charge), "taken") << "whoever goes on has seen to it: " << channel_->health().trouble;
    EXPECT_TRUE(closed());
}

TEST_F(BoardChannelTest, a_latch_is_told_with_its_reason_and_is_not_cleared_while_that_lasts) {
    begin();
    ASSERT_EQ(applied(charge), "taken");
    board_.command("fault b protection opened");
    live(1);
    (void)sample();
    EXPECT_THAT(faults_, ElementsAre(FaultKind::opened_itself));
    EXPECT_THAT(channel_->health().trouble, HasSubstr("the power stage failed"));
    EXPECT_FALSE(closed());
    EXPECT_EQ(applied(charge), word(FaultKind::refused));
    EXPECT_THAT(channel_->health().trouble, AllOf(HasSubstr("stays latched open (the power stage failed)"),
                                                  HasSubstr("outside the board's limits")));
    EXPECT_FALSE(closed());
}

TEST_F(BoardChannelTest, a_silent_board_answers_nothing_and_is_never_taken_for_zero) {
    begin();
    ASSERT_EQ(applied(charge), "taken");
    board_.command("fault b silent");
    const Sample nothing = sample();
    EXPECT_EQ(nothing.voltage.quality, Quality::absent);
    EXPECT_EQ(nothing.current.quality, Quality::absent);
    EXPECT_EQ(nothing.mode, StageMode::unknown);
    EXPECT_EQ(applied(Open{}), word(FaultKind::lost)) << "it is not believed to be off before it says so";
    EXPECT_THAT(channel_->health().trouble, HasSubstr("no answer came"));
    EXPECT_FALSE(closed()) << "and yet it was obeyed";
    board_.command("clear b");
    EXPECT_EQ(applied(Open{}), "taken");
    EXPECT_EQ(sample().mode, StageMode::open);
}

TEST_F(BoardChannelTest, garbled_late_and_foreign_replies_are_dropped) {
    begin();
    ASSERT_EQ(applied(charge), "taken");
    const Sample good = sample();
    std::string kept;
    // The bytes of a reply, as an interference, a slow adapter and a crossed cable leave them.
    const std::vector<std::function<std::string(std::string)>> ways{
        [](std::string said) {
            said[said.size() / 2] = '#';
            return said;
        },
        [&kept](const std::string& said) { return std::exchange(kept, said); },
        [](const std::string&) { return std::string("<st n=1 boot=1*0000\n"); },
        [](const std::string&) { return std::string("\xff\xfe\x80 noise\n"); },
        [](const std::string& said) { return said.substr(0, said.size() - 3) + "\n"; },
    };
    for (const auto& way : ways) {
        tamper_ = way;
        EXPECT_EQ(sample().voltage.quality, Quality::absent);
        tamper_ = nullptr;
        kept.clear();
        const Sample again = sample();
        EXPECT_TRUE(again.voltage.good());
        EXPECT_GT(again.voltage.time, good.voltage.time);
    }
    EXPECT_TRUE(closed()) << "nothing of that is a reason to open";
    EXPECT_THAT(faults_, IsEmpty());
    // Before the right one it does no harm.
    tamper_ = [](const std::string& said) { return "<st n=1 boot=1 v=1*0000\n" + said; };
    EXPECT_TRUE(sample().voltage.good());
}

TEST_F(BoardChannelTest, an_echo_is_no_answer) {
    begin();
    tamper_ = [this](const std::string&) { return peer_.lines.back() + "\n"; };
    EXPECT_EQ(sample().voltage.quality, Quality::absent);
    EXPECT_EQ(applied(charge), word(FaultKind::lost));
    EXPECT_THAT(channel_->health().trouble, HasSubstr("our own line came back"));
}

TEST_F(BoardChannelTest, another_boot_number_is_a_restart_and_its_limits_are_written_anew) {
    begin();
    ASSERT_EQ(applied(charge), "taken");
    board_.command("fault b rebooted");
    const std::size_t before = peer_.lines.size();
    EXPECT_EQ(sample().voltage.quality, Quality::absent);
    EXPECT_THAT(faults_, ElementsAre(FaultKind::rebooted));
    until_ready();
    EXPECT_THAT(words_since(before), "hb off id lim rlim hb");
    EXPECT_EQ(applied(charge), "taken") << channel_->health().trouble;
    EXPECT_TRUE(closed());
}

TEST_F(BoardChannelTest, a_restart_while_it_is_being_set_is_the_answer_to_that) {
    begin();
    std::string outcome = "-";
    channel_->apply(charge, world_.timing.steady(),
                    [&](const Result<Demand, FaultKind>& taken) { outcome = taken ? "taken" : word(taken.error()); });
    board_.command("fault b rebooted");
    world_.until([&] { return outcome != "-"; }, 5_s);
    EXPECT_EQ(outcome, word(FaultKind::rebooted));
    EXPECT_FALSE(closed());
    until_ready();
}

TEST_F(BoardChannelTest, unplugged_and_back_it_says_again_who_it_is) {
    begin();
    ASSERT_EQ(applied(charge), "taken");
    peer_.pty.unplug();
    ASSERT_TRUE(world_.until([this] { return !channel_->health().ready; }, 5_s));
    EXPECT_THAT(faults_, ElementsAre(FaultKind::lost));
    EXPECT_EQ(applied(Open{}), word(FaultKind::lost));
    world_.pass(10_s);
    const std::size_t before = peer_.lines.size();
    peer_.pty.plug_in();
    until_ready();
    EXPECT_THAT(words_since(before), StartsWith("off id lim rlim hb"));
    EXPECT_FALSE(closed());
    EXPECT_EQ(applied(charge), "taken") << channel_->health().trouble;
}

TEST_F(BoardChannelTest, another_board_on_the_port_is_refused) {
    begin();
    board_.command("fault b wrong identity");
    board_.command("fault b rebooted");
    (void)sample();
    world_.pass(1_s);
    EXPECT_FALSE(channel_->health().ready);
    EXPECT_THAT(channel_->health().trouble, AllOf(HasSubstr("another channel board hangs here"), HasSubstr("kind 99")));
    EXPECT_EQ(applied(charge), word(FaultKind::lost));
    EXPECT_EQ(sample().voltage.quality, Quality::absent) << "another board's cell is none of ours";
    board_.command("clear b");
    board_.command("fault b rebooted");
    until_ready();
}

TEST_F(BoardChannelTest, a_board_that_is_not_as_the_bench_says_is_refused_with_the_difference) {
    struct Case {
        std::function<void(BoardChannelOptions&)> change;
        std::string says;
    };
    const std::vector<Case> cases{
        {[](auto& o) { o.serial = 18; }, "its serial number is 17; the bench expects 18"},
        {[](auto& o) { o.kind = 3; }, "its kind number is 1; the bench expects 3"},
        {[](auto& o) { o.traits.has_contactor = false; }, "has no contactor"},
        {[](auto& o) { o.traits.reads_terminals = false; }, "no reading at its terminals"},
        {[](auto& o) {
             o.traits.source_max = Current{4'000'000'000};
             o.limits.current_max = Current{5'000'000'000};
         },
         "beyond the board's rating of 3 A in"},
        {[](auto& o) { o.limits.voltage_max = Voltage{6'000'000'000}; }, "beyond the board's rating of 0 V to 5 V"},
        {[](auto& o) {
             o.has_thermometer = false;
             o.limits.temperature_max.reset();
         },
         "no thermometer"},
    };
    for (const Case& one : cases) {
        world_.forget();
        BoardChannelOptions options = good_options(peer_.pty.path());
        one.change(options);
        channel_.reset();
        peer_.pty.unplug();
        peer_.pty.plug_in();
        make(options);
        world_.pass(1_s);
        EXPECT_FALSE(channel_->health().ready) << one.says;
        EXPECT_THAT(channel_->health().trouble, HasSubstr(one.says));
        EXPECT_EQ(applied(charge), word(FaultKind::lost));
        EXPECT_FALSE(closed());
    }
}

TEST_F(BoardChannelTest, current_that_flows_on_after_off_is_in_the_samples) {
    begin();
    ASSERT_EQ(applied(charge), "taken");
    board_.command("fault b off ignored");
    EXPECT_EQ(applied(Open{}), "taken") << "as it says itself";
    EXPECT_GT(amperes(sample().current.value), 0.4) << "what the board says of itself hides no current";
}

TEST_F(BoardChannelTest, a_welded_contactor_is_told_and_nothing_is_driven_through_it) {
    begin();
    ASSERT_EQ(applied(charge), "taken");
    board_.command("fault b contactor welded");
    EXPECT_THAT(faults_, IsEmpty());
    ASSERT_EQ(applied(Open{}), "taken");
    (void)sample();
    EXPECT_THAT(faults_, ElementsAre(FaultKind::refused));
    EXPECT_THAT(channel_->health().trouble, HasSubstr("contactor is welded"));
    EXPECT_FALSE(channel_->health().ready);
    EXPECT_EQ(applied(charge), word(FaultKind::refused));
    EXPECT_FALSE(closed());
    board_.command("clear b");
    (void)applied(Open{});
    (void)sample();
    EXPECT_TRUE(channel_->health().ready);
}

TEST_F(BoardChannelTest, what_is_beyond_its_limits_is_refused_by_the_board_itself) {
    begin();
    EXPECT_EQ(applied(DriveCurrent{Current{2'500'000'000}, 4200_mV, 2500_mV}), word(FaultKind::refused));
    EXPECT_THAT(channel_->health().trouble, HasSubstr("beyond the limits that were written"));
    EXPECT_FALSE(closed());
}

TEST_F(BoardChannelTest, a_setting_that_changes_by_itself_is_seen_within_a_minute) {
    begin();
    ASSERT_EQ(applied(charge), "taken");
    tamper_ = [](std::string said) {
        if (said.starts_with("<cc ")) {  // it goes on with half of it, with a CRC that is right
            said = said.substr(0, said.rfind('*'));
            const std::size_t at = said.find("i=500000");
            EXPECT_NE(at, std::string::npos);
            said.replace(at, 8, "i=250000");
            std::uint16_t crc = 0xFFFF;
            for (const char byte : said) {
                crc = static_cast<std::uint16_t>(crc ^ (static_cast<unsigned char>(byte) << 8));
                for (int bit = 0; bit < 8; ++bit) {
                    crc = static_cast<std::uint16_t>((crc << 1) ^ ((crc & 0x8000) != 0 ? 0x1021 : 0));
                }
            }
            char digits[8];
            std::snprintf(digits, sizeof digits, "*%04X\n", crc);
            said += digits;
        }
        return said;
    };
    live(61);
    EXPECT_THAT(faults_, ElementsAre(FaultKind::setting_changed));
    EXPECT_THAT(channel_->health().trouble, AllOf(HasSubstr("was set to 500 mA"), HasSubstr("reads back as 250 mA")));
}

TEST_F(BoardChannelTest, a_newer_demand_waits_for_the_one_under_way_and_open_does_not) {
    begin();
    std::vector<std::string> outcomes;
    const auto ask = [&](const Demand& demand) {
        channel_->apply(demand, world_.timing.steady(), [&](const Result<Demand, FaultKind>& taken) {
            outcomes.push_back(!taken ? "fault" : is_open(*taken) ? "open" : "driven");
        });
    };
    const std::size_t before = peer_.lines.size();
    ask(charge);
    ask(hold);
    world_.until([&] { return outcomes.size() == 2; }, 5_s);
    EXPECT_THAT(outcomes, ElementsAre("driven", "driven"));
    EXPECT_THAT(words_since(before), EndsWith("cc rset hb cv rset")) << "one after the other, each read back";
    outcomes.clear();
    ask(charge);
    ask(Open{});
    world_.until([&] { return outcomes.size() == 2; }, 5_s);
    EXPECT_THAT(outcomes, ElementsAre("open", "open"));
    EXPECT_FALSE(closed());
}

TEST_F(BoardChannelTest, off_goes_out_while_the_line_never_falls_quiet) {
    begin();
    ASSERT_EQ(applied(charge), "taken");
    // A half answer brings the line out of step.
    tamper_ = [](const std::string&) { return std::string("<st n=1"); };
    (void)sample();
    const std::size_t before = peer_.lines.size();
    channel_->apply(Open{}, world_.timing.steady(), [](const Result<Demand, FaultKind>&) {});
    world_.settle();
    EXPECT_THAT(words_since(before), StartsWith("off")) << "no time has passed";
    EXPECT_FALSE(closed());
    tamper_ = nullptr;
    EXPECT_EQ(applied(Open{}), "taken");
    EXPECT_EQ(applied(charge), "taken") << "its counting goes on from ours";
}

TEST_F(BoardChannelTest, the_guardian_has_its_off_line_while_the_port_is_open) {
    guardian_.emplace(std::move(*Guardian::start()));
    begin();
    ASSERT_EQ(applied(charge), "taken");
    ASSERT_TRUE(closed());
    // Everything on this side ends, as with the daemon's process.
    channel_.reset();
    world_.forget();
    const std::size_t before = peer_.lines.size();
    guardian_.reset();
    peer_.turn();
    EXPECT_EQ(words_since(before), "off");
    EXPECT_FALSE(closed());
}

TEST(BoardOptions, limits_that_would_stop_what_the_channel_is_for_are_refused) {
    struct Case {
        std::function<void(BoardChannelOptions&)> change;
        std::string says;
    };
    ASSERT_TRUE(can_make(good_options("/dev/x")));
    const std::vector<Case> cases{
        {[](auto& o) { o.limits.voltage_max = o.traits.voltage_max; }, "a little outside the channel's 2 V to 4.25 V"},
        {[](auto& o) { o.limits.voltage_min = o.traits.voltage_min; }, "a little outside the channel's"},
        {[](auto& o) { o.limits.current_max = o.traits.sink_max; }, "a little above the channel's 2 A"},
        {[](auto& o) { o.limits.temperature_max.reset(); }, "needs a limit for it"},
        {[](auto& o) { o.has_thermometer = false; }, "holds to no temperature_max"},
        {[](auto& o) { o.limits.watchdog = 2999_ms; }, "must be 3 s or more"},
        {[](auto& o) { o.limits.watchdog = 61_s; }, "200 ms to 60 s"},
        {[](auto& o) { o.limits.watchdog = Duration{4'000'500}; }, "whole milliseconds"},
        {[](auto& o) { o.answer = 2_s; }, "less than half of 'watchdog'"},
    };
    for (const Case& one : cases) {
        BoardChannelOptions options = good_options("/dev/x");
        one.change(options);
        const Result<void> can = can_make(options);
        ASSERT_FALSE(can) << one.says;
        EXPECT_THAT(can.error().message, HasSubstr(one.says));
        EXPECT_EQ(can.error().failure, Failure::bad_config);
    }
}

}  // namespace
}  // namespace slowfilm::channel
