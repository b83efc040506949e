// A contactor between a serial instrument's output and its cell, on a virtual instrument over a real pseudo-terminal.
#include "daemon/channel/instrument_channel.hpp"
#include "daemon/protocol/toml_reader.hpp"
#include "tests/daemon/channel/virtual_board.hpp"

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
using ::testing::HasSubstr;
using ::testing::IsEmpty;

const DriveCurrent charge{.current = 500_mA, .ceiling = 4200_mV, .floor = 2500_mV};

std::string replaced(std::string text, std::string_view from, std::string_view to) {
    const std::size_t at = text.find(from);
    EXPECT_NE(at, std::string::npos) << "'" << from << "' is not in the text";
    return text.replace(at, from.size(), to);
}

std::string profile_text() {
    std::string text = *protocol::read_file_bounded(SLOWFILM_SOURCE_DIR "/config/instruments/two-quadrant-source.toml");
    text = replaced(text, "  measure    = \"MEAS{channel}:VOLT?\"",
                    "  measure    = \"MEAS{channel}:VOLT?\"\n  terminals  = \"MEAS{channel}:VOLT:TERM?\"");
    return text + "\n[source.contactor]\nclose = \"ROUT:CLOS\"\nopen = \"ROUT:OPEN\"\nread = \"ROUT:CLOS?\"\n";
}

class ContactorTest : public ::testing::Test {
  protected:
    ContactorTest()
        : virtual_(world_, R"(format = 1
[[cell]]
name = "c1"
like = "NMC/graphite"
model = "circuit"
capacity = "5 Ah"
state = "formed"
[[instrument]]
name = "s"
kind = "two-quadrant source"
cell = "c1"
off_state = "sinks"
contactor = true
terminals = true
answer = "0 ms"
settle = "0 s"
baud = 1000000
)") {}

    void begin() {
        ParsedProfile parsed = parse_profile("source.toml", profile_text());
        ASSERT_TRUE(parsed.profile) << render(parsed.diagnostics, profile_text());
        InstrumentChannelOptions options;
        options.profile = std::make_shared<const Profile>(std::move(*parsed.profile));
        options.ports = {peer_.pty.path()};
        options.protection = 4350_mV;
        options.current_protection = Current{3'000'000'000};
        options.traits = traits_of(*options.profile, ChannelTraits{.period = 1_s});
        EXPECT_TRUE(options.traits.has_contactor) << "of its profile";
        Result<std::unique_ptr<Channel>> made = make_instrument_channel(instruments_, options);
        ASSERT_TRUE(made) << made.error().message;
        channel_ = std::move(*made);
        world_.join((*instruments_.at(options.ports[0], options.profile->instruments[0], ""))->link(), peer_);
        channel_->on_fault([this](FaultKind kind) { faults_.push_back(kind); });
        ASSERT_TRUE(world_.until([this] { return channel_->health().ready; }, 10_s)) << channel_->health().trouble;
    }
    std::string applied(const Demand& demand) {
        std::string outcome = "-";
        channel_->apply(demand, world_.timing.steady(), [&outcome](const Result<Demand, FaultKind>& taken) {
            outcome = taken ? "taken" : "fault " + std::to_string(static_cast<int>(taken.error()));
        });
        world_.until([&outcome] { return outcome != "-"; }, 10_s);
        return outcome;
    }
    Sample sample() {
        std::optional<Sample> got;
        channel_->sample(world_.timing.steady(), [&got](const Sample& one) { got = one; });
        world_.until([&got] { return got.has_value(); }, 5_s);
        return got.value_or(Sample{});
    }
    void live(int seconds) {
        for (int i = 0; i < seconds; ++i) {
            (void)sample();
            world_.pass(1_s);
        }
    }
    std::ptrdiff_t place_of(std::string_view line, std::size_t from) const {
        const auto begin = peer_.lines.begin() + static_cast<std::ptrdiff_t>(from);
        return std::find(begin, peer_.lines.end(), line) - begin;
    }

    Folder folder_;
    World world_;
    test::VirtualInstruments virtual_;
    std::function<std::string(const std::string&, std::string)> tamper_;  // with what is answered to a line
    ScriptedPeer peer_{folder_.file("source"), [this](const std::string& line) {
                           const std::string said = virtual_.hear("s", line + "\n");
                           return tamper_ ? tamper_(line, said) : said;
                       }};
    Instruments instruments_{world_.io, world_.timing};
    std::unique_ptr<Channel> channel_;
    std::vector<FaultKind> faults_;
};

TEST_F(ContactorTest, it_is_opened_first_of_all_and_read_back) {
    begin();
    EXPECT_LT(place_of("ROUT:OPEN", 0), place_of("SYST:REM", 0));
    EXPECT_EQ(peer_.count("ROUT:CLOS"), 0U);
    EXPECT_THAT(channel_->health().settings, HasSubstr("contactor open after 0 operations"));
}

TEST_F(ContactorTest, it_closes_once_the_stage_is_where_the_cell_is_and_opens_after_the_output) {
    begin();
    const double rest = volts(sample().voltage.value);
    std::size_t before = peer_.lines.size();
    ASSERT_EQ(applied(charge), "taken") << channel_->health().trouble;
    EXPECT_LT(place_of("OUTP1 ON", before), place_of("MEAS1:VOLT:TERM?", before));
    EXPECT_LT(place_of("MEAS1:VOLT:TERM?", before), place_of("ROUT:CLOS", before)) << "compared, and then closed";
    // Before the contacts meet nothing may flow.
    const auto closed = peer_.lines.begin() + static_cast<std::ptrdiff_t>(before) + place_of("ROUT:CLOS", before);
    for (auto line = peer_.lines.begin() + static_cast<std::ptrdiff_t>(before); line != closed; ++line) {
        if (line->find("CURR") != std::string::npos && line->find(' ') != std::string::npos) {
            EXPECT_THAT(*line, testing::EndsWith(" 0"));
        }
    }
    world_.pass(1_s);
    EXPECT_NEAR(amperes(sample().current.value), 0.5, 5e-3);
    EXPECT_GT(volts(sample().voltage.value), rest);
    before = peer_.lines.size();
    ASSERT_EQ(applied(Open{}), "taken");
    EXPECT_LT(place_of("OUTP1 OFF", before), place_of("ROUT:OPEN", before));
    EXPECT_LT(place_of("MEAS1:CURR?", before), place_of("ROUT:OPEN", before));
    EXPECT_THAT(channel_->health().settings, HasSubstr("contactor open after 2 operations"));
    live(10);
    EXPECT_TRUE(channel_->health().ready) << channel_->health().trouble;
    EXPECT_THAT(faults_, IsEmpty());
    ASSERT_EQ(applied(charge), "taken") << channel_->health().trouble;
}

TEST_F(ContactorTest, it_stays_open_where_the_stage_does_not_come_to_the_cell) {
    begin();
    tamper_ = [](const std::string& line, std::string said) {
        return line == "MEAS1:VOLT:TERM?" ? std::string("2.000E+00\n") : said;
    };
    EXPECT_EQ(applied(charge), "fault 1");
    EXPECT_THAT(channel_->health().trouble,
                AllOf(HasSubstr("the stage is at 2 V and the cell at"), HasSubstr("within 50 mV")));
    EXPECT_EQ(peer_.count("ROUT:CLOS"), 0U);
    EXPECT_GT(peer_.count("MEAS1:VOLT:TERM?"), 10U) << "it was given three seconds";
    world_.pass(1_s);
    EXPECT_THAT(virtual_.describe("s"), HasSubstr("off OFF"));
}

TEST_F(ContactorTest, it_stays_open_where_a_current_flows_before_it_is_closed) {
    begin();
    tamper_ = [](const std::string& line, std::string said) {
        return line == "MEAS1:CURR?" ? std::string("2.0E-02\n") : said;
    };
    EXPECT_EQ(applied(charge), "fault 1");
    EXPECT_EQ(peer_.count("ROUT:CLOS"), 0U);
}

TEST_F(ContactorTest, open_while_it_is_being_closed_wins) {
    begin();
    std::vector<std::string> outcomes;
    const auto ask = [&](const Demand& demand) {
        channel_->apply(demand, world_.timing.steady(), [&](const Result<Demand, FaultKind>& taken) {
            outcomes.push_back(!taken ? "fault" : is_open(*taken) ? "open" : "driven");
        });
    };
    for (int ms = 0; ms < 400; ms += 20) {
        outcomes.clear();
        ask(charge);
        world_.pass(Duration{ms * 1'000});
        const bool was_driven = !outcomes.empty();
        ask(Open{});
        ASSERT_TRUE(world_.until([&] { return outcomes.size() == 2; }, 10_s)) << ms;
        EXPECT_THAT(outcomes, ElementsAre(was_driven ? "driven" : "open", "open")) << ms;
        world_.pass(1_s);
        EXPECT_THAT(virtual_.describe("s"), HasSubstr("off OFF")) << ms;
        EXPECT_EQ(virtual_.hear("s", "ROUT:CLOS?\n"), "0\n") << ms;
    }
    EXPECT_THAT(faults_, IsEmpty());
}

TEST_F(ContactorTest, one_that_is_welded_is_found_by_its_terminals_though_it_says_that_it_is_open) {
    begin();
    ASSERT_EQ(applied(charge), "taken") << channel_->health().trouble;
    virtual_.command("fault s contactor welded");
    ASSERT_EQ(applied(Open{}), "taken") << "as it says itself";
    live(10);
    EXPECT_THAT(faults_, ElementsAre(FaultKind::refused)) << "told once";
    EXPECT_FALSE(channel_->health().ready);
    EXPECT_THAT(channel_->health().trouble, AllOf(HasSubstr("the contactor is welded"), HasSubstr("by hand")));
    EXPECT_EQ(applied(charge), "fault 0");
    virtual_.command("clear s");
    live(3);
    EXPECT_TRUE(channel_->health().ready) << "it has let go";
}

TEST_F(ContactorTest, an_output_that_does_not_go_off_is_cut_off_at_once) {
    begin();
    ASSERT_EQ(applied(charge), "taken") << channel_->health().trouble;
    virtual_.command("fault s off ignored");
    const std::size_t before = peer_.lines.size();
    EXPECT_EQ(applied(Open{}), "fault 1") << "the output is on, whatever the contactor is";
    EXPECT_EQ(place_of("ROUT:OPEN", before), 2) << "after off and its question, without another look";
    world_.pass(1_s);
    EXPECT_NEAR(amperes(sample().current.value), 0.0, 1e-3);
}

TEST(ContactorProfile, without_the_voltage_before_it_a_contactor_is_refused) {
    const std::string text = replaced(profile_text(), "  terminals  = \"MEAS{channel}:VOLT:TERM?\"\n", "");
    const ParsedProfile parsed = parse_profile("source.toml", text);
    EXPECT_FALSE(parsed.profile);
    EXPECT_THAT(render(parsed.diagnostics, text), HasSubstr("a contactor needs 'terminals' in [source.voltage]"));
    const std::string twins = replaced(profile_text(), "open = \"ROUT:OPEN\"", "open = \"ROUT:CLOS\"");
    EXPECT_THAT(render(parse_profile("source.toml", twins).diagnostics, twins), HasSubstr("the same line as 'close'"));
}

TEST(ContactorProfile, the_guardian_has_its_open_line_after_that_of_the_output) {
    const ParsedProfile parsed = parse_profile("source.toml", profile_text());
    std::vector<std::string> lines;
    for (const OffLine& off : off_lines(*parsed.profile, "1", "1")) {
        lines.push_back(off.line);
    }
    EXPECT_THAT(lines, ElementsAre("OUTP1 OFF", "ROUT:OPEN"));
}

}  // namespace
}  // namespace slowfilm::channel
