// The driver of serial instruments, over real pseudo-terminals, its clock driven by hand.
#include "daemon/channel/instrument_channel.hpp"

#include "daemon/protocol/toml_reader.hpp"
#include "tests/daemon/channel/test_instrument.hpp"
#include "tests/property.hpp"

#include <cmath>

namespace slowfilm::channel {
namespace {

using namespace literals;
using test::Folder;
using test::TestInstrument;
using test::World;
using ::testing::AllOf;
using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::ElementsAreArray;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

const DriveCurrent charge{.current = 250_mA, .ceiling = 4200_mV, .floor = 2500_mV};
const DriveCurrent discharge{.current = -(500_mA), .ceiling = 4200_mV, .floor = 2500_mV};

std::shared_ptr<const Profile> shipped(const std::string& name, const std::string& what = "",
                                       const std::string& instead = "") {
    const std::string file = std::string(SLOWFILM_SOURCE_DIR) + "/config/instruments/" + name + ".toml";
    std::string text = *protocol::read_file_bounded(file);
    if (!what.empty()) {
        const std::size_t at = text.find(what);
        EXPECT_NE(at, std::string::npos) << what;
        text.replace(at, what.size(), instead);
    }
    ParsedProfile parsed = parse_profile(file, text);
    EXPECT_TRUE(parsed.profile) << render(parsed.diagnostics, text);
    return std::make_shared<const Profile>(std::move(*parsed.profile));
}

class InstrumentChannelTest : public ::testing::Test {
  protected:
    std::unique_ptr<Channel> make(std::shared_ptr<const Profile> profile, std::vector<TestInstrument*> at,
                                  const std::string& output = "1") {
        InstrumentChannelOptions options;
        options.profile = profile;
        for (const TestInstrument* one : at) {
            options.ports.push_back(one->peer.pty.path());
        }
        options.output = options.load_output = output;
        options.protection = 4350_mV;
        options.current_protection = Current{3'000'000'000};
        options.traits = traits_of(*profile, ChannelTraits{.period = 1_s});
        Result<std::unique_ptr<Channel>> made = make_instrument_channel(*instruments_, options);
        EXPECT_TRUE(made) << (made ? "" : made.error().message);
        for (std::size_t i = 0; i < at.size(); ++i) {
            if (joined_.insert(at[i]).second) {
                world_.join((*instruments_->at(options.ports[i], profile->instruments[i], ""))->link(), at[i]->peer);
            }
        }
        (*made)->on_fault([this](FaultKind kind) { faults_.push_back(kind); });
        return std::move(*made);
    }
    void begin(const std::string& name = "two-quadrant-source") {
        channel_ = make(shipped(name), {&source_});
        ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 5_s)) << channel_->health().trouble;
    }
    // The index among `outcomes_`.
    std::size_t apply(const Demand& demand) {
        outcomes_.emplace_back("-");
        channel_->apply(demand, world_.timing.steady(),
                        [this, at = outcomes_.size() - 1](const Result<Demand, FaultKind>& taken) {
                            EXPECT_EQ(outcomes_[at], "-") << "answered twice";
                            outcomes_[at] = !taken ? "fault " + std::to_string(static_cast<int>(taken.error()))
                                            : is_open(*taken) ? "open"
                                                              : "driven";
                        });
        return outcomes_.size() - 1;
    }
    std::string applied(const Demand& demand, Duration within = 5_s) {
        const std::size_t at = apply(demand);
        world_.until([this, at] { return outcomes_[at] != "-"; }, within);
        return outcomes_[at];
    }
    Sample sample(Duration within = 5_s) {
        std::optional<Sample> got;
        channel_->sample(world_.timing.steady(), [&got](const Sample& one) {
            EXPECT_FALSE(got) << "answered twice";
            got = one;
        });
        world_.until([&got] { return got.has_value(); }, within);
        EXPECT_TRUE(got.has_value());
        return got.value_or(Sample{});
    }
    static std::string word(FaultKind kind) { return "fault " + std::to_string(static_cast<int>(kind)); }

    Folder folder_;
    World world_;
    TestInstrument source_{folder_.file("source"), "slowfilm,virtual two-quadrant source,0042,1.0"};
    std::unique_ptr<Instruments> instruments_{std::make_unique<Instruments>(world_.io, world_.timing)};
    std::set<TestInstrument*> joined_;
    std::unique_ptr<Channel> channel_;
    std::vector<std::string> outcomes_;
    std::vector<FaultKind> faults_;
};

TEST_F(InstrumentChannelTest, is_brought_up_off_first_and_everything_read_back) {
    begin();
    EXPECT_THAT(source_.peer.lines,
                ElementsAre("*IDN?", "OUTP1 OFF",                                                    //
                            "SYST:REM", "SYST:RWL", "*CLS", "SYST:ERR?", "*ESR?",                    //
                            "OUTP1 OFF", "OUTP1?",                                                   //
                            "SOUR1:CURR 0", "SOUR1:CURR?", "SOUR1:CURR:SINK 0", "SOUR1:CURR:SINK?",  //
                            "SYST:RSEN ON", "SYST:RSEN?",                                            //
                            "SOUR1:VOLT:PROT 4.35", "SOUR1:VOLT:PROT?", "SOUR1:VOLT:PROT:STAT ON",   //
                            "SOUR1:VOLT:PROT:STAT?", "SOUR1:CURR:PROT 3", "SOUR1:CURR:PROT?", "SYST:ERR?"));
    EXPECT_EQ(channel_->health().trouble, "");
    EXPECT_EQ(channel_->health().identity, "slowfilm,virtual two-quadrant source,0042,1.0");
    EXPECT_THAT(channel_->health().settings, HasSubstr("voltage protection 4.35 V"));
    EXPECT_THAT(faults_, IsEmpty());
}

// Time may be scaled only where nothing is real: by what it says, and on a pseudo-terminal.
TEST_F(InstrumentChannelTest, is_simulated_once_a_virtual_instrument_of_ours_has_said_so) {
    channel_ = make(shipped("two-quadrant-source"), {&source_});
    EXPECT_FALSE(channel_->simulated()) << "nobody has said anything yet";
    ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 5_s));
    EXPECT_TRUE(channel_->simulated());
    TestInstrument real(folder_.file("real"), "ACME,VIRTUAL TWO-QUADRANT SOURCE,1,1");
    channel_ = make(shipped("two-quadrant-source", "slowfilm,virtual", "acme,virtual"), {&real});
    ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 5_s)) << channel_->health().trouble;
    EXPECT_FALSE(channel_->simulated());
}

TEST_F(InstrumentChannelTest, a_charge_is_set_in_order_read_back_and_then_switched_on) {
    begin();
    const std::size_t from = source_.peer.lines.size();
    EXPECT_EQ(applied(charge), "driven");
    EXPECT_THAT(
        source_.lines_since(from),
        ElementsAre("SOUR1:CURR 0", "SOUR1:CURR?", "SOUR1:CURR:SINK 0", "SOUR1:CURR:SINK?",     //
                    "SOUR1:VOLT 4.2", "SOUR1:VOLT?",                                            //
                    "SOUR1:CURR 0.25", "SOUR1:CURR?", "SOUR1:CURR:SINK 0", "SOUR1:CURR:SINK?",  //
                    "SYST:ERR?",                                                                //
                    "SOUR1:VOLT?", "SOUR1:CURR?", "SOUR1:CURR:SINK?", "SOUR1:VOLT:PROT?",       //
                    "SOUR1:CURR:PROT?", "OUTP1:PROT:CLE", "SOUR1:VOLT:PROT:TRIP?", "OUTP1 ON", "OUTP1?", "SYST:ERR?"));
    const Sample got = sample();
    EXPECT_EQ(got.voltage.value, 3700_mV);
    EXPECT_EQ(got.current.value, 250_mA);
    EXPECT_EQ(got.mode, StageMode::constant_current);
    EXPECT_EQ(got.temperature.quality, Quality::absent);
}

TEST_F(InstrumentChannelTest, what_is_taken_out_is_read_as_negative_and_the_floor_is_set) {
    begin();
    EXPECT_EQ(applied(discharge), "driven");
    EXPECT_EQ(source_.get("VOLT"), 2.5);
    EXPECT_EQ(source_.get("CURR"), 0.0);
    EXPECT_EQ(source_.get("CURR:SINK"), 0.5);
    EXPECT_EQ(sample().current.value, -(500_mA));
    source_.instead["SOUR1:MODE?"] = "CV\n";
    EXPECT_EQ(sample().mode, StageMode::at_floor);
    EXPECT_EQ(applied(charge), "driven");
    EXPECT_EQ(sample().mode, StageMode::at_ceiling);
    EXPECT_EQ(applied(HoldVoltage{.voltage = 4200_mV, .source_max = 250_mA, .sink_max = 10_mA}), "driven");
    EXPECT_EQ(sample().mode, StageMode::constant_voltage);
}

TEST_F(InstrumentChannelTest, open_is_off_read_back_then_the_limits_to_zero_and_never_a_lower_voltage) {
    begin();
    ASSERT_EQ(applied(charge), "driven");
    const std::size_t from = source_.peer.lines.size();
    EXPECT_EQ(applied(Open{}), "open");
    world_.pass(1_s);
    EXPECT_THAT(source_.lines_since(from), ElementsAre("OUTP1 OFF", "OUTP1?", "SOUR1:CURR 0", "SOUR1:CURR?",
                                                       "SOUR1:CURR:SINK 0", "SOUR1:CURR:SINK?"));
    EXPECT_EQ(sample().mode, StageMode::open);
}

TEST_F(InstrumentChannelTest, a_ramp_sets_what_changed_and_nothing_else) {
    begin();
    ASSERT_EQ(applied(HoldVoltage{.voltage = 4000_mV, .source_max = 250_mA, .sink_max = {}}), "driven");
    const std::size_t from = source_.peer.lines.size();
    EXPECT_EQ(applied(HoldVoltage{.voltage = 4010_mV, .source_max = 250_mA, .sink_max = {}}), "driven");
    EXPECT_THAT(source_.lines_since(from), ElementsAre("SOUR1:VOLT 4.01", "SOUR1:VOLT?", "SYST:ERR?"));
}

TEST_F(InstrumentChannelTest, demands_faster_than_the_link_are_taken_up_from_the_latest) {
    begin();
    ASSERT_EQ(applied(HoldVoltage{.voltage = 4000_mV, .source_max = 250_mA, .sink_max = {}}), "driven");
    for (int i = 1; i <= 9; ++i) {
        apply(HoldVoltage{.voltage = Voltage{4'000'000'000 + i * 1'000'000}, .source_max = 250_mA, .sink_max = {}});
    }
    world_.pass(2_s);
    EXPECT_EQ(std::count(outcomes_.begin(), outcomes_.end(), "driven"), 10);
    EXPECT_DOUBLE_EQ(source_.get("VOLT"), 4.009);
    EXPECT_EQ(source_.peer.count("SOUR1:VOLT 4.005"), 0U);
}

TEST_F(InstrumentChannelTest, open_overtakes_a_charge_that_is_being_set_and_nothing_of_it_comes_after) {
    begin();
    for (int steps = 0; steps < 24; ++steps) {
        ASSERT_EQ(applied(Open{}), "open");
        world_.pass(1_s);
        std::size_t heard = 0;
        const std::size_t from = source_.peer.lines.size();
        source_.heard = [&](const std::string&) {
            if (++heard == static_cast<std::size_t>(steps) + 1) {
                apply(Open{});
            }
        };
        apply(charge);
        world_.pass(2_s);
        source_.heard = nullptr;
        const std::vector<std::string> lines = source_.lines_since(from);
        const auto off = std::find(lines.begin(), lines.end(), "OUTP1 OFF");
        if (off != lines.end()) {
            EXPECT_EQ(std::find(off, lines.end(), "OUTP1 ON"), lines.end()) << steps;
            EXPECT_FALSE(source_.on);
            EXPECT_EQ(outcomes_.back(), "open");
            EXPECT_EQ(outcomes_[outcomes_.size() - 2], steps < 21 ? "open" : outcomes_[outcomes_.size() - 2]);
        }
        EXPECT_EQ(std::count(outcomes_.begin(), outcomes_.end(), "-"), 0) << steps;
    }
}

TEST_F(InstrumentChannelTest, a_demand_right_after_open_is_taken_once_it_is_open) {
    begin();
    const std::size_t first = source_.peer.lines.size();
    ASSERT_EQ(applied(charge), "driven");
    const std::vector<std::string> whole = source_.lines_since(first);
    for (int ms = 0; ms < 120; ms += 3) {
        ASSERT_EQ(applied(discharge), "driven");
        const std::size_t from = source_.peer.lines.size();
        apply(Open{});
        world_.pass(Duration{ms * 1'000});
        apply(charge);
        world_.pass(3_s);
        EXPECT_EQ(std::count(outcomes_.begin(), outcomes_.end(), "-"), 0) << ms;
        EXPECT_EQ(outcomes_.back(), "driven") << ms;
        const std::vector<std::string> lines = source_.lines_since(from);
        ASSERT_GT(lines.size(), whole.size()) << ms;
        // All of it, in its order, and nothing of the opening in between.
        EXPECT_THAT(source_.lines_since(source_.peer.lines.size() - whole.size()), ElementsAreArray(whole)) << ms;
        EXPECT_EQ(sample().current.value, 250_mA) << ms;
        EXPECT_EQ(lines[0], "OUTP1 OFF") << ms;
        EXPECT_EQ(lines[1], "OUTP1?") << ms;
    }
}

// Public threads tell of a query of the current that was not answered in time and became 0.000 A.
TEST_F(InstrumentChannelTest, silence_on_one_question_is_an_absent_quantity_and_never_a_zero) {
    begin();
    ASSERT_EQ(applied(charge), "driven");
    source_.silent.insert("MEAS1:CURR?");
    const Sample got = sample();
    EXPECT_EQ(got.current.quality, Quality::absent);
    EXPECT_TRUE(got.voltage.good());
    source_.silent.clear();
    EXPECT_EQ(sample().current.value, 250_mA);
}

TEST_F(InstrumentChannelTest, each_reading_is_dated_when_it_was_asked_for) {
    begin();
    world_.pass(1_s);
    const Time begun = world_.timing.steady();
    const Sample got = sample();
    EXPECT_EQ(got.voltage.time, begun);
    EXPECT_EQ(got.current.time, begun + 10_ms) << "the profile's pause between commands";
}

// SCPI-1999 vol. 1, 7.2.1: 9.9E37 is infinity, 9.91E37 is not a number; instruments print stars besides.
TEST_F(InstrumentChannelTest, what_the_instrument_says_is_no_value_is_bad_and_the_rest_stands) {
    begin();
    for (const char* said : {"9.9E37", "-9.9E37", "9.91E37", "-9.91E+37", "9.9000003E37", "1.99999E101", "*****"}) {
        source_.instead["MEAS1:CURR?"] = std::string(said) + "\n";
        const Sample got = sample();
        EXPECT_EQ(got.current.quality, Quality::bad) << said;
        EXPECT_EQ(got.current.value, Current{}) << said;
        EXPECT_EQ(got.voltage.value, 3700_mV) << said;
    }
}

TEST_F(InstrumentChannelTest, what_is_no_answer_at_all_makes_the_whole_reading_doubtful) {
    begin();
    for (const char* said : {"4,2", "1.2.3", "+", "0x10", "4.2V", "MEAS1:CURR?X", "ACME"}) {
        source_.instead["MEAS1:CURR?"] = std::string(said) + "\n";
        const Sample got = sample();
        EXPECT_EQ(got.current.quality, Quality::bad) << said;
        EXPECT_EQ(got.voltage.quality, Quality::absent) << said;
        EXPECT_THAT(channel_->health().trouble, HasSubstr("MEAS{channel}:CURR?")) << said;
    }
    source_.instead.clear();
    EXPECT_TRUE(sample().current.good());
}

// The voltage's answer once more, in place of the current's: the current's own then answers the next question, which is
// of another kind.
TEST_F(InstrumentChannelTest, an_answer_that_comes_twice_shifts_no_value_into_another_quantity) {
    begin();
    ASSERT_EQ(applied(charge), "driven");
    for (const char* question : {"MEAS1:VOLT?", "MEAS1:CURR?", "OUTP1?", "SOUR1:MODE?", "*ESR?"}) {
        const std::string once = source_.peer.script(question);
        source_.instead[question] = once + once;
        const Sample merged = sample();
        EXPECT_FALSE(merged.voltage.good()) << question;
        EXPECT_FALSE(merged.current.good()) << question;
        source_.instead.clear();
        world_.pass(1_s);
        EXPECT_EQ(sample().current.value, 250_mA) << question;
    }
    EXPECT_THAT(faults_, IsEmpty());
}

TEST_F(InstrumentChannelTest, an_output_that_ignores_off_is_told_so_each_time_it_is_asked) {
    begin();
    ASSERT_EQ(applied(charge), "driven");
    source_.ignores_off = 3;
    for (int i = 0; i < 3; ++i) {
        EXPECT_EQ(applied(Open{}), word(FaultKind::refused));
        EXPECT_NE(sample().mode, StageMode::open);
        EXPECT_THAT(channel_->health().trouble, HasSubstr("still on after it was switched off"));
    }
    EXPECT_EQ(applied(Open{}), "open");
    EXPECT_EQ(sample().mode, StageMode::open);
}

TEST_F(InstrumentChannelTest, a_reboot_is_told_once_and_it_is_brought_up_again_off) {
    begin();
    ASSERT_EQ(applied(charge), "driven");
    source_.power_cycle();
    (void)sample();
    EXPECT_THAT(faults_, ElementsAre(FaultKind::rebooted));
    world_.pass(2_s);
    EXPECT_TRUE(channel_->health().ready) << channel_->health().trouble;
    EXPECT_EQ(source_.get("VOLT:PROT"), 4.35);
    EXPECT_FALSE(source_.on);
    (void)sample();
    EXPECT_THAT(faults_, ElementsAre(FaultKind::rebooted));
}

TEST_F(InstrumentChannelTest, an_output_that_opened_itself_is_not_switched_on_again) {
    begin();
    ASSERT_EQ(applied(charge), "driven");
    source_.on = false;
    const std::size_t from = source_.peer.lines.size();
    EXPECT_EQ(sample().mode, StageMode::open);
    EXPECT_THAT(faults_, ElementsAre(FaultKind::opened_itself));
    world_.pass(10_s);
    EXPECT_THAT(source_.lines_since(from), Not(Contains("OUTP1 ON")));
}

TEST_F(InstrumentChannelTest, an_output_that_somebody_switches_on_is_switched_off_and_told) {
    begin();
    source_.on = true;
    EXPECT_NE(sample().mode, StageMode::open);
    EXPECT_THAT(faults_, ElementsAre(FaultKind::setting_changed));
    world_.pass(1_s);
    EXPECT_FALSE(source_.on);
}

TEST_F(InstrumentChannelTest, a_reading_from_before_an_order_says_nothing_of_what_came_of_it) {
    begin();
    ASSERT_EQ(applied(charge), "driven");
    source_.silent.insert("SOUR1:MODE?");
    std::optional<Sample> got;
    channel_->sample(world_.timing.steady(), [&got](const Sample& one) { got = one; });
    world_.pass(100_ms);  // by now it has said that it is on
    EXPECT_EQ(applied(Open{}), "open");
    world_.until([&got] { return got.has_value(); }, 5_s);
    EXPECT_NE(got->mode, StageMode::open) << "it was on when it was asked";
    EXPECT_THAT(faults_, IsEmpty());
    source_.silent.clear();
    EXPECT_EQ(sample().mode, StageMode::open);
}

// At most one deadline of the question that is out, whatever else waits.
TEST_F(InstrumentChannelTest, an_order_to_open_waits_for_one_answer_at_most) {
    begin();
    ASSERT_EQ(applied(charge), "driven");
    source_.peer.script = [this, plain = source_.peer.script](const std::string& line) {
        const std::string answer = plain(line);
        return line.starts_with("MEAS") ? std::string{} : answer;
    };
    channel_->sample(world_.timing.steady(), [](const Sample&) {});
    world_.pass(1_ms);
    const Time begun = world_.timing.steady();
    const std::size_t at = apply(Open{});
    world_.until([this] { return !source_.on; }, 5_s);
    EXPECT_LE(world_.timing.steady() - begun, 520_ms) << "the profile's 500 ms and its pause";
    world_.until([this, at] { return outcomes_[at] != "-"; }, 5_s);
    EXPECT_EQ(outcomes_[at], "open");
}

TEST_F(InstrumentChannelTest, a_hand_on_the_front_panel_is_noticed_within_a_minute) {
    begin();
    ASSERT_EQ(applied(charge), "driven");
    source_.settings["CURR"] = 0.3;
    const Time turned = world_.timing.steady();
    while (faults_.empty() && world_.timing.steady() < turned + verify_every + 2_s) {
        (void)sample();
        world_.pass(1_s);
    }
    EXPECT_GT(world_.timing.steady(), turned + 50_s) << "it is not asked for all of them every second";
    EXPECT_THAT(faults_, ElementsAre(FaultKind::setting_changed));
    EXPECT_THAT(channel_->health().trouble, HasSubstr("the current was set to 0.25 and reads back as"));
}

TEST_F(InstrumentChannelTest, an_error_after_a_setting_refuses_the_demand_and_the_output_stays_off) {
    begin();
    for (const int error : {-113, -221, -222, -350, -240, -201, 17}) {
        bool once = true;
        source_.heard = [this, error, &once](const std::string& line) {
            if (line == "SOUR1:VOLT 4.2" && std::exchange(once, false)) {
                source_.errors.push_back(error);
            }
        };
        EXPECT_EQ(applied(charge), word(FaultKind::refused)) << error;
        EXPECT_FALSE(source_.on) << error;
        EXPECT_THAT(channel_->health().trouble, HasSubstr(std::to_string(error)));
        source_.heard = nullptr;
        ASSERT_EQ(applied(Open{}), "open");
    }
    EXPECT_EQ(source_.peer.count("OUTP1 ON"), 0U);
}

TEST_F(InstrumentChannelTest, two_lines_that_were_swapped_in_a_profile_are_found_before_the_output_is_on) {
    begin();
    source_.hooked_to = {{"VOLT", "CURR"}, {"CURR", "VOLT"}};
    EXPECT_EQ(applied(charge), word(FaultKind::refused));
    EXPECT_THAT(channel_->health().trouble, HasSubstr("reads back as"));
    EXPECT_EQ(source_.peer.count("OUTP1 ON"), 0U);
}

TEST_F(InstrumentChannelTest, a_setting_that_the_instrument_changes_by_itself_is_found_before_the_output_is_on) {
    begin();
    source_.heard = [this](const std::string& line) {
        if (line == "SOUR1:CURR 0.25") {
            source_.settings["VOLT"] = 5.0;
        }
    };
    EXPECT_EQ(applied(charge), word(FaultKind::refused));
    EXPECT_THAT(channel_->health().trouble, HasSubstr("the voltage was set to 4.2 and reads back as"));
    EXPECT_EQ(source_.peer.count("OUTP1 ON"), 0U);
}

TEST_F(InstrumentChannelTest, old_errors_are_nobodys_and_a_queue_without_end_is_given_up) {
    for (int i = 0; i < 30; ++i) {
        source_.errors.push_back(-222);
    }
    source_.silent.insert("*CLS");  // it does not know it
    source_.instead["*CLS"] = "";
    begin();
    EXPECT_TRUE(channel_->health().ready);
    channel_.reset();
    source_.errors_for_ever = true;
    source_.power_cycle();
    channel_ = make(shipped("two-quadrant-source"), {&source_});
    world_.pass(4_s);
    EXPECT_FALSE(channel_->health().ready);
    source_.errors_for_ever = false;
}

TEST_F(InstrumentChannelTest, protection_that_cannot_be_set_keeps_the_channel_from_being_ready) {
    source_.hooked_to["VOLT:PROT"] = "NOWHERE";
    channel_ = make(shipped("two-quadrant-source"), {&source_});
    world_.pass(5_s);
    EXPECT_FALSE(channel_->health().ready);
    EXPECT_THAT(channel_->health().trouble, HasSubstr("the voltage protection was set to 4.35 and reads back as"));
    EXPECT_EQ(applied(charge), word(FaultKind::lost));
    EXPECT_EQ(source_.peer.count("OUTP1 ON"), 0U);
    EXPECT_EQ(applied(Open{}), "open");
    // It is tried again, and goes on once the cause is gone.
    source_.hooked_to.clear();
    ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 6_s));
}

TEST_F(InstrumentChannelTest, unplugging_is_told_once_and_it_comes_back_off) {
    begin();
    ASSERT_EQ(applied(charge), "driven");
    source_.peer.pty.unplug();
    world_.settle();
    EXPECT_THAT(faults_, ElementsAre(FaultKind::lost));
    EXPECT_EQ(sample(), Sample{});
    EXPECT_EQ(applied(Open{}), word(FaultKind::lost));
    EXPECT_THAT(channel_->health().trouble, HasSubstr("is gone"));
    source_.peer.pty.plug_in();
    ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 10_s)) << channel_->health().trouble;
    EXPECT_FALSE(source_.on);
    EXPECT_THAT(faults_, ElementsAre(FaultKind::lost));
}

TEST_F(InstrumentChannelTest, another_instrument_at_the_port_gets_no_command) {
    TestInstrument other(folder_.file("other"), "ACME,LAMP,1,1");
    channel_ = make(shipped("two-quadrant-source"), {&other});
    world_.pass(10_s);
    EXPECT_FALSE(channel_->health().ready);
    EXPECT_THAT(channel_->health().trouble, AllOf(HasSubstr("says it is 'ACME,LAMP,1,1'"), HasSubstr("expects one")));
    EXPECT_EQ(other.peer.count("*IDN?"), other.peer.lines.size());
}

TEST_F(InstrumentChannelTest, the_serial_number_the_bench_names_is_held_to) {
    InstrumentChannelOptions options;
    options.profile = shipped("two-quadrant-source");
    options.ports = {source_.peer.pty.path()};
    options.serials = {"0043"};
    options.protection = 4350_mV;
    options.current_protection = 3000_mA;
    Result<std::unique_ptr<Channel>> made = make_instrument_channel(*instruments_, options);
    ASSERT_TRUE(made);
    world_.join((*instruments_->at(options.ports[0], options.profile->instruments[0], "0043"))->link(), source_.peer);
    world_.pass(2_s);
    EXPECT_FALSE((*made)->health().ready);
    EXPECT_THAT((*made)->health().trouble, HasSubstr("expects the one with the serial number '0043'"));
}

TEST_F(InstrumentChannelTest, what_cannot_protect_the_cell_is_refused_and_not_rounded) {
    InstrumentChannelOptions options;
    options.profile = shipped("two-quadrant-source", "min        = \"0.5 V\"", "min        = \"5 V\"");
    options.ports = {source_.peer.pty.path()};
    options.protection = 4350_mV;
    const auto weak = make_instrument_channel(*instruments_, options);
    ASSERT_FALSE(weak);
    EXPECT_THAT(weak.error().message, HasSubstr("must be set to 4.35 V and can be set from 5 V"));
    options.profile = shipped("supply-alone");
    options.four_wire = false;
    const auto wired = make_instrument_channel(*instruments_, options);
    ASSERT_FALSE(wired);
    EXPECT_THAT(wired.error().message, HasSubstr("wired for four wires"));
    options.four_wire = true;
    options.traits.has_contactor = true;
    EXPECT_THAT(make_instrument_channel(*instruments_, options).error().message, HasSubstr("contactor"));
    options.traits.has_contactor = false;
    options.ports.clear();
    EXPECT_THAT(make_instrument_channel(*instruments_, options).error().message, HasSubstr("needs that many ports"));
}

TEST_F(InstrumentChannelTest, sense_wiring_and_protection_that_are_switched_by_hand_are_noticed) {
    for (const char* setting : {"SYST:RSEN", "VOLT:PROT:STAT"}) {
        begin();
        faults_.clear();
        source_.settings[setting] = 0.0;
        world_.pass(verify_every);
        (void)sample();
        world_.pass(1_s);
        EXPECT_THAT(faults_, ElementsAre(FaultKind::setting_changed)) << setting;
        channel_.reset();
    }
}

TEST_F(InstrumentChannelTest, its_own_count_of_charge_and_what_was_read_back_are_told) {
    channel_ = make(shipped("two-quadrant-source", "counts  = \"Ah\"", "counts  = \"mAh\""), {&source_});
    ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 5_s)) << channel_->health().trouble;
    EXPECT_EQ(channel_->health().settings,
              "current 0 A, sink current 0 A, voltage protection 4.35 V, current protection 3 A, output off");
    ASSERT_EQ(applied(charge), "driven");
    source_.instead["MEAS1:CHAR?"] = "512.3\n";
    world_.pass(verify_every);
    (void)sample();
    world_.pass(1_s);
    EXPECT_EQ(channel_->health().settings,
              "voltage 4.2 V, current 250 mA, sink current 0 A, voltage protection 4.35 V, current protection 3 A, own "
              "count 0.5123 Ah, output on");
    source_.instead["MEAS1:CHAR?"] = "9.91E37\n";
    world_.pass(verify_every);
    (void)sample();
    world_.pass(1_s);
    EXPECT_THAT(channel_->health().settings, Not(HasSubstr("own count")));
    EXPECT_THAT(faults_, IsEmpty());
}

TEST_F(InstrumentChannelTest, two_wires_are_set_where_the_instrument_has_lines_for_them) {
    InstrumentChannelOptions options;
    options.profile = shipped("two-quadrant-source");
    options.ports = {source_.peer.pty.path()};
    options.protection = 4350_mV;
    options.current_protection = 3000_mA;
    options.four_wire = false;
    channel_ = std::move(*make_instrument_channel(*instruments_, options));
    world_.join((*instruments_->at(options.ports[0], options.profile->instruments[0], ""))->link(), source_.peer);
    ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 5_s)) << channel_->health().trouble;
    EXPECT_THAT(source_.peer.lines, AllOf(Contains("SYST:RSEN OFF"), Not(Contains("SYST:RSEN ON"))));
}

TEST_F(InstrumentChannelTest, a_temperature_a_prefix_and_a_unit_are_read_where_the_profile_has_them) {
    source_.peer.script = [plain = source_.peer.script](const std::string& line) {
        const std::string answer = line == "MEAS:TEMP?" ? "25.1 C\n" : plain(line);
        return answer.empty() ? answer : ">" + answer;
    };
    channel_ =
        make(shipped("two-quadrant-source", "[source]\n",
                     "[replies]\nprefix = \">\"\n[temperature]\nmeasure = \"MEAS:TEMP?\"\nunit = \"C\"\n[source]\n"),
             {&source_});
    ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 5_s)) << channel_->health().trouble;
    const Sample got = sample();
    EXPECT_EQ(got.temperature.value, Temperature{298'250});
    EXPECT_EQ(got.voltage.value, 3700_mV);
}

TEST_F(InstrumentChannelTest, two_channels_on_one_instrument_share_its_port_and_its_reboot) {
    begin();
    std::unique_ptr<Channel> second = make(shipped("two-quadrant-source"), {&source_}, "2");
    ASSERT_TRUE(world_.until([&second] { return second->health().ready; }, 5_s)) << second->health().trouble;
    EXPECT_THAT(source_.peer.lines, Contains("OUTP2 OFF"));
    source_.power_cycle();
    (void)sample();  // the first notices
    EXPECT_THAT(faults_, ElementsAre(FaultKind::rebooted, FaultKind::rebooted));
    world_.pass(3_s);
    EXPECT_TRUE(channel_->health().ready);
    EXPECT_TRUE(second->health().ready);
}

TEST_F(InstrumentChannelTest, a_supply_alone_refuses_to_discharge) {
    TestInstrument supply(folder_.file("supply"), "slowfilm,virtual supply,1,1");
    channel_ = make(shipped("supply-alone"), {&supply});
    ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 5_s)) << channel_->health().trouble;
    EXPECT_EQ(applied(discharge), word(FaultKind::refused));
    EXPECT_EQ(supply.peer.count("OUTP ON"), 0U);
    EXPECT_EQ(applied(charge), "driven");
}

class SupplyAndLoadTest : public InstrumentChannelTest {
  protected:
    void SetUp() override {
        channel_ = make(shipped("supply-and-load"), {&supply_, &load_});
        ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 5_s)) << channel_->health().trouble;
        for (TestInstrument* one : {&supply_, &load_}) {
            one->heard = [this, one](const std::string& line) {
                EXPECT_FALSE(supply_.on && load_.on) << "both are on";
                if (line == "OUTP ON" || line == "INP ON") {
                    switched_on_.push_back({one, world_.timing.steady()});
                }
                if ((line == "OUTP OFF" || line == "INP OFF") && one->on) {
                    switched_off_ = world_.timing.steady();
                    measured_.reset();
                }
                if (line == "MEAS:CURR?" && !measured_) {
                    measured_ = world_.timing.steady();
                }
            };
        }
    }
    TestInstrument supply_{folder_.file("supply"), "slowfilm,virtual supply,1,1"};
    TestInstrument load_{folder_.file("load"), "slowfilm,virtual load,2,1"};
    std::vector<std::pair<TestInstrument*, Time>> switched_on_;
    Time switched_off_;
    std::optional<Time> measured_;  // first after that
};

TEST_F(SupplyAndLoadTest, are_never_both_on_and_rest_between) {
    EXPECT_EQ(applied(charge), "driven");
    EXPECT_TRUE(supply_.on);
    EXPECT_EQ(sample().current.value, 250_mA);
    EXPECT_EQ(applied(discharge), "driven");
    EXPECT_FALSE(supply_.on);
    EXPECT_TRUE(load_.on);
    EXPECT_EQ(load_.get("VOLT:LOW"), 2.5) << "its own cut-off is the floor";
    EXPECT_GE(*measured_ - switched_off_, change_over);
    EXPECT_GT(switched_on_.back().second, *measured_);
    EXPECT_EQ(sample().current.value, -(500_mA));
    EXPECT_EQ(applied(charge), "driven");
    EXPECT_GE(*measured_ - switched_off_, change_over);
    EXPECT_GT(switched_on_.back().second, *measured_);
    EXPECT_EQ(applied(Open{}), "open");
    EXPECT_EQ(sample().mode, StageMode::open);
}

TEST_F(SupplyAndLoadTest, a_current_that_does_not_come_to_rest_keeps_the_other_off) {
    ASSERT_EQ(applied(charge), "driven");
    supply_.leak = 0.1;
    EXPECT_EQ(applied(discharge), word(FaultKind::refused));
    EXPECT_FALSE(load_.on);
    EXPECT_THAT(channel_->health().trouble, HasSubstr("a current still flows"));
}

TEST_F(SupplyAndLoadTest, a_supply_that_stays_on_keeps_the_load_off) {
    ASSERT_EQ(applied(charge), "driven");
    supply_.ignores_off = 1'000;
    EXPECT_EQ(applied(discharge), word(FaultKind::refused));
    EXPECT_FALSE(load_.on);
}

// Public threads tell of a dead second actuator that kept the first from being driven.
TEST_F(SupplyAndLoadTest, a_dead_load_does_not_delay_the_opening_of_the_supply) {
    ASSERT_EQ(applied(charge), "driven");
    load_.peer.deaf = true;
    const Time begun = world_.timing.steady();
    const std::size_t at = apply(Open{});
    world_.until([this] { return !supply_.on; }, 5_s);
    EXPECT_LE(world_.timing.steady() - begun, 50_ms);
    world_.until([this, at] { return outcomes_[at] != "-"; }, 5_s);
    EXPECT_EQ(outcomes_[at], word(FaultKind::lost));
    EXPECT_LE(world_.timing.steady() - begun, 2_s);
    // What flows is not known then, and is not the supply's alone.
    EXPECT_EQ(sample().current.quality, Quality::absent);
}

// At every millisecond of setting and switching on: once it has been said that it failed, nothing goes on any more.
TEST_F(SupplyAndLoadTest, a_charge_that_fails_because_the_load_is_lost_does_not_go_on_afterwards) {
    for (int ms = 0; ms < 500; ms += 23) {
        const std::size_t at = apply(charge);
        world_.pass(Duration{ms * 1'000});
        load_.peer.pty.unplug();
        world_.settle();
        const bool told = outcomes_[at] != "-";
        EXPECT_TRUE(told) << ms;
        world_.pass(1_s);
        EXPECT_TRUE(outcomes_[at] == "driven" || !supply_.on) << ms << " " << outcomes_[at];
        load_.peer.pty.plug_in();
        ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 20_s)) << channel_->health().trouble;
        ASSERT_EQ(applied(Open{}), "open");
    }
}

// Whatever is asked of the pair, whenever, and however they misbehave.
TEST_F(SupplyAndLoadTest, are_never_both_on_whatever_happens) {
    bool both = false;
    for (TestInstrument* one : {&supply_, &load_}) {
        one->heard = [this, &both](const std::string&) { both = both || (supply_.on && load_.on); };
    }
    test::holds([this, &both] {
        const Demand hold = HoldVoltage{.voltage = 4200_mV, .source_max = 250_mA, .sink_max = {}};
        const int steps = *rc::gen::inRange(1, 12);
        const std::size_t from = outcomes_.size();
        for (int i = 0; i < steps; ++i) {
            TestInstrument& one = *rc::gen::arbitrary<bool>() ? supply_ : load_;
            switch (*rc::gen::inRange(0, 10)) {
                case 0:
                case 1: apply(charge); break;
                case 2:
                case 3: apply(discharge); break;
                case 4: apply(hold); break;
                case 5: apply(Open{}); break;
                case 6: one.ignores_off = *rc::gen::inRange(0, 3); break;
                case 7:
                    one.instead = {{*rc::gen::element<std::string>("OUTP?", "INP?", "MEAS:CURR?", "*ESR?"), ""}};
                    break;
                case 8: one.power_cycle(); break;
                default: channel_->sample(world_.timing.steady(), [](const Sample&) {}); break;
            }
            world_.pass(Duration{*rc::gen::inRange(0, 700) * 1'000});
            RC_ASSERT(!both && !(supply_.on && load_.on));
        }
        for (TestInstrument* one : {&supply_, &load_}) {
            one->instead.clear();
            one->ignores_off = 0;
        }
        RC_ASSERT(world_.until([this] { return channel_->health().ready; }, 60_s));
        RC_ASSERT(applied(Open{}) == "open");
        RC_ASSERT(!supply_.on && !load_.on);
        RC_ASSERT(std::count(outcomes_.begin() + static_cast<std::ptrdiff_t>(from), outcomes_.end(), "-") == 0);
        faults_.clear();
    });
}

TEST_F(SupplyAndLoadTest, a_hold_from_above_is_refused) {
    EXPECT_EQ(applied(HoldVoltage{.voltage = 3000_mV, .source_max = {}, .sink_max = 100_mA}), word(FaultKind::refused));
    EXPECT_EQ(applied(HoldVoltage{.voltage = 4200_mV, .source_max = 100_mA, .sink_max = 100_mA}), "driven");
    EXPECT_FALSE(load_.on);
}

TEST_F(SupplyAndLoadTest, open_while_changing_over_leaves_both_off) {
    ASSERT_EQ(applied(charge), "driven");
    for (int ms = 0; ms < 600; ms += 7) {
        ASSERT_EQ(applied(charge), "driven");
        apply(discharge);
        world_.pass(Duration{ms * 1'000});
        apply(Open{});
        world_.pass(1_s);
        EXPECT_FALSE(supply_.on || load_.on) << ms;
        EXPECT_EQ(outcomes_.back(), "open") << ms;
        EXPECT_EQ(std::count(outcomes_.begin(), outcomes_.end(), "-"), 0) << ms;
    }
}

// Whatever an instrument leaves out or says instead: a reading is something it said, a demand is answered once, and an
// order to open reaches it.
TEST_F(InstrumentChannelTest, disorder_gives_no_value_and_keeps_no_order_to_open_back) {
    begin();
    test::holds([this] {
        static const std::vector<std::string> questions{"MEAS1:VOLT?", "MEAS1:CURR?", "OUTP1?", "SOUR1:MODE?", "*ESR?",
                                                        "SYST:ERR?",   "SOUR1:VOLT?", "*IDN?",  "SOUR1:CURR?"};
        static const std::vector<std::string> sayings{"",      "\n",    "1\n",    "0\n",          "128\n", "*****\n",
                                                      "4,2\n", "nan\n", "0\n0\n", "-221,\"x\"\n", "half"};
        source_.silent.clear();
        source_.instead.clear();
        const int faults = *rc::gen::inRange(1, 4);
        for (int i = 0; i < faults; ++i) {
            source_.instead[*rc::gen::elementOf(questions)] = *rc::gen::elementOf(sayings);
        }
        const std::size_t from = outcomes_.size();
        const std::size_t offs = source_.peer.count("OUTP1 OFF");
        apply(charge);
        world_.pass(Duration{*rc::gen::inRange(0, 3'000) * 1'000});
        std::optional<Sample> got;
        channel_->sample(world_.timing.steady(), [&got](const Sample& one) { got = one; });
        apply(Open{});
        world_.pass(20_s);
        RC_ASSERT(got.has_value());
        // What it measures, or what it said in place of it.
        const auto said_of = [this](const std::string& question) {
            const auto said = source_.instead.find(question);
            const auto number = said == source_.instead.end()
                                    ? wire::read_number("")
                                    : wire::read_number(said->second.substr(0, said->second.find('\n')));
            return number ? std::llround(*number * 1e9) : -1;
        };
        RC_ASSERT(!got->voltage.good() || got->voltage.value == 3700_mV ||
                  got->voltage.value.count == said_of("MEAS1:VOLT?"));
        RC_ASSERT(!got->current.good() || got->current.value == Current{} || got->current.value == 250_mA ||
                  got->current.value.count == said_of("MEAS1:CURR?"));

        RC_ASSERT(std::count(outcomes_.begin() + static_cast<std::ptrdiff_t>(from), outcomes_.end(), "-") == 0);
        RC_ASSERT(source_.peer.count("OUTP1 OFF") > offs);
        RC_ASSERT(!source_.on);
        source_.instead.clear();
        RC_ASSERT(world_.until([this] { return channel_->health().ready; }, 30_s));
        (void)applied(Open{});
        faults_.clear();
    });
}

}  // namespace
}  // namespace slowfilm::channel
