// Serial instruments that go by the daemon's clock: the same record at any pace, and that of a rehearsal.
#include "tests/scenario/lockstep_world.hpp"

#include <gmock/gmock.h>

namespace slowfilm::scenario {
namespace {

using testing::HasSubstr;
using testing::Not;

constexpr std::string_view short_steps = R"([[step]]
name = "in"
do = "charge"
rate = "C/5"
ends = { amount = "2 %" }
at_most = "1 h"
keep = { every = "2 s" }
[[step]]
name = "relax"
do = "rest"
ends = { time = "1 min" }
)";

struct Record {
    std::vector<std::string> samples;
    std::vector<boost::json::value> steps, state;
};

Record recorded(const std::string& scale) {
    LockstepBench bench(scale, virtual_bench("formed"), protocol_of("formed", short_steps));
    bench.daemon.start();
    bench.start({"b1", "b2", "b3"});
    for (const char* channel : {"b1", "b2", "b3"}) {
        bench.daemon.await_state(channel, "done");
    }
    EXPECT_EQ(bench.daemon.end(SIGTERM), 0) << bench.daemon.log();
    Record record;
    for (int run = 1; run <= 3; ++run) {
        record.samples.push_back(bench.samples(run));
        record.steps.push_back(bench.summary(run).at("steps"));
        record.state.push_back(bench.summary(run).at("state"));
        const Ran replayed =
            command::slowfilm({"replay", std::to_string(run), "--ledger", bench.folder / "bench.ledger"});
        EXPECT_EQ(replayed.code, 0) << replayed.err;
    }
    return record;
}

TEST(Lockstep, the_record_is_the_same_at_a_hundredfold_pace_and_as_fast_as_it_goes) {
    const Record slow = recorded("100");
    const Record fast = recorded("1000000");
    for (std::size_t run = 0; run < 3; ++run) {
        EXPECT_EQ(slow.state[run], boost::json::value("done"));
        EXPECT_GT(slow.samples[run].size(), 5'000U);
        EXPECT_EQ(slow.samples[run], fast.samples[run]);
        EXPECT_EQ(slow.steps[run], fast.steps[run]);
    }
}

// Four hours and a half of a first cycle.
constexpr std::string_view cycle_steps = R"([[step]]
name = "in"
do = "charge"
rate = "C/2"
ends = { voltage = "4.2 V" }
at_most = { time = "4 h", amount = "130 %" }
[[step]]
name = "hold"
do = "hold"
voltage = "4.2 V"
rate_max = "C/2"
ends = { current = "C/10" }
at_most = { time = "1 h", amount = "20 %" }
[[step]]
name = "relax"
do = "rest"
ends = { time = "10 min" }
[[step]]
name = "out"
do = "discharge"
rate = "C/2"
ends = { voltage = "2.7 V" }
at_most = "4 h"
)";

double number(const boost::json::value& value) {
    return value.is_number() ? value.to_number<double>() : std::nan("");
}

// What instruments that read 0.1 mV and 0.1 mA every 2 s can tell apart.
constexpr double period = 2.0;          // s
constexpr double charge_step = 1.4e-3;  // Ah: 2.5 A for a period

void expect_alike(const boost::json::object& run, const boost::json::object& rehearsed) {
    const boost::json::array& steps = run.at("steps").as_array();
    const boost::json::array& expected = rehearsed.at("steps").as_array();
    ASSERT_EQ(steps.size(), expected.size());
    for (std::size_t i = 0; i < steps.size(); ++i) {
        const boost::json::object& step = steps[i].as_object();
        const boost::json::object& like = expected[i].as_object();
        EXPECT_EQ(step.at("ended_by"), like.at("ended_by"));
        EXPECT_NEAR(number(step.at("duration_second")), number(like.at("duration_second")), 2 * period) << i;
        EXPECT_NEAR(number(step.at("charge_in_ah")), number(like.at("charge_in_ah")), 2 * charge_step) << i;
        EXPECT_NEAR(number(step.at("charge_out_ah")), number(like.at("charge_out_ah")), 2 * charge_step) << i;
        EXPECT_NEAR(number(step.at("temperature_max_celsius")), number(like.at("temperature_max_celsius")), 0.2) << i;
    }
    const auto efficiency = [](const boost::json::object& summary) {
        return number(summary.at("figures").at("first_cycle_efficiency").at("value"));
    };
    // Each of its two charges is told apart by a step of charge in 5 Ah.
    EXPECT_NEAR(efficiency(run), efficiency(rehearsed), 2 * charge_step / 5.0);
}

TEST(Lockstep, charge_step_ends_and_efficiency_are_those_of_a_rehearsal_of_the_same_cell) {
    LockstepBench bench("1000000", virtual_bench("pristine"), protocol_of("pristine", cycle_steps));
    const Ran rehearsal = command::slowfilm({"rehearse", bench.folder / "protocol.toml", "--format", "json"});
    ASSERT_EQ(rehearsal.code, 0) << rehearsal.err;
    bench.daemon.start();
    bench.start({"b1", "b2"});
    bench.daemon.await_state("b1", "done");
    bench.daemon.await_state("b2", "done");
    EXPECT_EQ(bench.daemon.end(SIGTERM), 0) << bench.daemon.log();
    for (int run = 1; run <= 2; ++run) {
        SCOPED_TRACE(run == 1 ? "a two-quadrant source" : "a supply and a load");
        expect_alike(bench.summary(run), strict(rehearsal));
    }
}

// config/serial-bench.toml as README's tour runs it, in a folder of its own.
std::string shipped_bench(const std::string& ports) {
    std::string text = read_whole(SLOWFILM_SOURCE_DIR "/config/serial-bench.toml");
    for (const auto& [from, to] : std::vector<std::pair<std::string, std::string>>{
             {"/tmp/virtual-bench/", ports + "/"},
             {"\"instruments/", "\"" SLOWFILM_SOURCE_DIR "/config/instruments/"},
             {"\n[limits]", "socket = \"control/socket\"\n\n[limits]"}}) {
        for (std::size_t at = text.find(from); at != std::string::npos; at = text.find(from, at + to.size())) {
            text.replace(at, from.size(), to);
        }
    }
    return text;
}

TEST(Lockstep, the_shipped_bench_runs_a_shipped_protocol_on_the_shipped_instruments) {
    LockstepBench bench("1000000", read_whole(SLOWFILM_SOURCE_DIR "/config/virtual-bench.toml"),
                        read_whole(command::shipped("staged-nmc-pouch.toml")));
    bench.folder.write("bench.toml", shipped_bench(bench.folder / "ports"));
    bench.daemon.start();
    bench.start({"b1"});
    bench.daemon.await_state("b1", "resting");  // the tap is over, and the cell soaks for a day
    EXPECT_EQ(bench.daemon.end(SIGTERM), 0) << bench.daemon.log();
    EXPECT_THAT(bench.daemon.log(), HasSubstr("step 1 (tap) ended: voltage"));
}

// --- Who may scale time ----------------------------------------------------------------------------------------------

TEST(Lockstep, a_second_daemon_is_told_that_the_clock_is_taken) {
    LockstepBench bench("1000", virtual_bench("formed"), protocol_of("formed", short_steps));
    bench.daemon.start();
    std::string other = lockstep_bench();
    for (const auto& [from, to] : {std::pair{"bench.ledger", "other.ledger"}, {"control/socket", "other/socket"}}) {
        other.replace(other.find(from), std::strlen(from), to);
    }
    bench.folder.write("other.toml", other);
    DaemonProcess second(bench.folder, "1000", "other.toml");
    EXPECT_EQ(second.run_to_end(), 75) << second.log();
    EXPECT_THAT(second.log(), HasSubstr("do not take their time from here"));
    EXPECT_EQ(bench.daemon.end(SIGTERM), 0) << bench.daemon.log();
}

TEST(Lockstep, ports_of_two_folders_are_refused_with_their_place) {
    LockstepBench bench("1000", virtual_bench("formed"), protocol_of("formed", short_steps));
    const clients::VirtualPorts others{virtual_bench("formed")};
    std::string text = lockstep_bench();
    text.replace(text.find("ports/alone"), std::strlen("ports/alone"), others.port("alone"));
    bench.folder.write("bench.toml", text);
    EXPECT_EQ(bench.daemon.run_to_end(), 78);
    EXPECT_THAT(bench.daemon.log(), HasSubstr("bench.toml:"));
    EXPECT_THAT(bench.daemon.log(), HasSubstr("is not in the folder of the others"));
}

// --- When it goes wrong ----------------------------------------------------------------------------------------------

TEST(Lockstep, a_killed_daemon_leaves_every_output_off) {
    LockstepBench bench("300", virtual_bench("formed"), long_protocol());
    bench.daemon.start();
    bench.start({"b1", "b2"});
    bench.daemon.await_current("b1");
    bench.daemon.await_current("b2");
    EXPECT_THAT(bench.console("state src"), HasSubstr("output 1: on"));
    bench.daemon.end(SIGKILL);
    // From here on its time is the machine's again: the guardian's line is on its way.
    std::string state = bench.console("state");
    for (int asked = 0; asked < 100'000 && state.find("output 1: on") != std::string::npos; ++asked) {
        state = bench.console("state");
    }
    EXPECT_THAT(state, Not(HasSubstr("output 1: on")));
}

TEST(Lockstep, instruments_that_die_are_a_loss_that_the_daemon_tells_and_time_is_scaled_no_longer) {
    LockstepBench bench("300", virtual_bench("formed"), long_protocol());
    bench.daemon.start();
    bench.start({"b1"});
    bench.daemon.await_current("b1");
    bench.instruments().end(SIGKILL);
    bench.daemon.await("b1", [](const boost::json::object& channel) {
        return channel.at("state") == "tripped" || channel.at("state") == "waiting";
    });
    EXPECT_EQ(number(strict(bench.daemon.ask({"status", "--format", "json"})).at("time_scale")), 1.0);
    EXPECT_EQ(bench.daemon.end(SIGTERM), 74) << "nobody has seen the output open";
    EXPECT_THAT(bench.daemon.log(), HasSubstr("no longer go by this daemon's clock"));
    EXPECT_THAT(bench.daemon.log(), HasSubstr("these outputs are not seen open, open them by hand: 'b1'"));
}

struct FaultCase {
    const char* name;
    const char* fault;
    const char* says;
};

class LockstepFault : public testing::TestWithParam<FaultCase> {};

// Three minutes into a charge of six.
std::string instruments_with(const std::string& fault) {
    return virtual_bench("formed", "[[fault]]\ninstrument = \"src\"\nafter = \"3 min\"\n" + fault);
}

TEST_P(LockstepFault, ends_with_the_output_off_and_the_right_sentence) {
    LockstepBench bench("1000000", instruments_with(GetParam().fault), protocol_of("formed", short_steps));
    bench.daemon.start();
    bench.start({"b1", "b3"});
    bench.daemon.await("b1", [](const boost::json::object& channel) {
        return channel.at("state") == "tripped" || channel.at("state") == "waiting";
    });
    bench.daemon.await_state("b3", "done");
    bench.daemon.await("b1", [](const boost::json::object& channel) { return channel.at("output") == "open"; });
    EXPECT_THAT(bench.console("state src"), HasSubstr("output 1: off"));
    EXPECT_EQ(bench.daemon.end(SIGTERM), 0) << bench.daemon.log();
    EXPECT_THAT(bench.daemon.log(), HasSubstr(GetParam().says));
}

INSTANTIATE_TEST_SUITE_P(
    Kinds, LockstepFault,
    testing::Values(
        FaultCase{"unplugged", "kind = \"unplugged\"\nfor = \"20 s\"\n", "the link to the instrument was lost"},
        FaultCase{"silent", "kind = \"silent\"\nfor = \"30 s\"\n", "no good reading"},
        FaultCase{"frozen", "kind = \"frozen\"\nfor = \"30 s\"\n", "no good reading"},
        FaultCase{"late", "kind = \"late\"\nfor = \"10 s\"\n", "no good reading"},
        FaultCase{"merged", "kind = \"merged\"\nfor = \"30 s\"\n", "no good reading"},
        FaultCase{"garbled", "kind = \"garbled\"\nfor = \"30 s\"\n", "error run 1 on channel 'b1'"},
        FaultCase{"echoing", "kind = \"echoing\"\nfor = \"30 s\"\n", "no good reading"},
        FaultCase{"answers_again", "kind = \"last answer again\"\nfor = \"30 s\"\n", "error run 1 on channel 'b1'"},
        FaultCase{"stars", "kind = \"stars\"\nfor = \"30 s\"\n", "no good reading"},
        FaultCase{"over_range", "kind = \"over range\"\nfor = \"30 s\"\n", "no good reading"},
        FaultCase{"decimal_comma", "kind = \"decimal comma\"\nfor = \"30 s\"\n", "no good reading"},
        FaultCase{"saturated", "kind = \"saturated\"\nfor = \"30 s\"\n",
                  "6 V is above the 4.4 V that the bench allows"},
        FaultCase{"sense_lifted", "kind = \"sense lifted\"\nfor = \"30 s\"\n", "voltage_jump: the voltage went 3.6"},
        FaultCase{"sense_swapped", "kind = \"sense swapped\"\nfor = \"30 s\"\n", "voltage_jump: the voltage went 7."},
        FaultCase{"hot", "kind = \"thermometer\"\nvalue = 80.0\n",
                  "80 degC is above the 60 degC that the bench allows"},
        FaultCase{"thermometer_broken", "kind = \"thermometer\"\n", "no good reading"},
        FaultCase{"protection_opened", "kind = \"protection opened\"\n", "the instrument opened its own output"},
        FaultCase{"off_ignored_once", "kind = \"off ignored\"\nvalue = 1\n", "did not take a demand"},
        FaultCase{"rebooted", "kind = \"rebooted\"\n", "rebooted and lost its settings"}),
    [](const testing::TestParamInfo<FaultCase>& one) { return std::string{one.param.name}; });

TEST(Lockstep, what_is_harmless_and_passes_is_ridden_out) {
    for (const char* fault : {"kind = \"split\"\n", "kind = \"silent\"\nfor = \"1 s\"\n"}) {
        SCOPED_TRACE(fault);
        LockstepBench bench("1000000", instruments_with(fault), protocol_of("formed", short_steps));
        bench.daemon.start();
        bench.start({"b1"});
        bench.daemon.await_state("b1", "done");
        EXPECT_EQ(bench.daemon.end(SIGTERM), 0) << bench.daemon.log();
    }
}

TEST(Lockstep, an_output_that_stays_on_is_named_at_the_end) {
    LockstepBench bench("1000000", instruments_with("kind = \"output stuck on\"\n"),
                        protocol_of("formed", short_steps));
    bench.daemon.start();
    bench.start({"b1"});
    bench.daemon.await_state("b1", "tripped");
    EXPECT_EQ(bench.daemon.end(SIGTERM), 74);
    EXPECT_THAT(bench.daemon.log(), HasSubstr("leakage: 1"));
    EXPECT_THAT(bench.daemon.log(), HasSubstr("these outputs are not seen open, open them by hand: 'b1'"));
}

}  // namespace
}  // namespace slowfilm::scenario
