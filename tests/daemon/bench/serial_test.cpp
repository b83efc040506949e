// A bench whose channels are serial instruments: what is asked of them comes later than the turn, or not at all.
#include "tests/daemon/bench/serial_world.hpp"

namespace slowfilm::bench {
namespace {

using testing::Contains;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

std::string text_in(const boost::json::object& object, std::string_view key) {
    return std::string(object.at(key).as_string());
}

TEST(SerialBench, every_output_is_switched_off_and_read_back_before_the_bench_is_ready) {
    SerialWorld world(2);
    world.instruments[0].on = true;  // left so by whoever had it before
    world.open();
    EXPECT_THAT(world.not_open, IsEmpty());
    EXPECT_FALSE(world.instruments[0].on);
    EXPECT_THAT(world.instruments[0].peer.lines, Contains("OUTP1?"));
    const boost::json::object channel = world.channel("b1");
    EXPECT_EQ(text_in(channel, "output"), "open");
    EXPECT_TRUE(channel.at("ready").as_bool());
    EXPECT_EQ(text_in(channel, "instrument"), test::source_identity);
    EXPECT_THAT(text_in(channel, "settings"), HasSubstr("output off"));
}

TEST(SerialBench, a_start_is_refused_where_another_instrument_hangs_on_the_port) {
    SerialWorld world(2);
    world.instruments[1].instead["*IDN?"] = "another,one,2,3\n";
    world.open();
    EXPECT_THAT(world.not_open, ElementsAre("b2")) << "what it is said to do, and does not, is told";
    EXPECT_THAT(world.troubles, Contains(HasSubstr("channel 'b2' is not ready")));
    const std::string refusal = world.refusal(world.start("b2", "C-1"));
    EXPECT_THAT(refusal, HasSubstr("channel 'b2' is not ready"));
    EXPECT_THAT(refusal, HasSubstr("'another,one,2,3'"));
    EXPECT_FALSE(world.channel("b2").at("ready").as_bool());
    EXPECT_TRUE(world.start("b1", "C-2")) << "its neighbour does not care";
}

TEST(SerialBench, a_charge_flows_and_one_hung_instrument_delays_no_other) {
    SerialWorld world(2);
    world.open();
    ASSERT_TRUE(world.start("b1", "C-1"));
    ASSERT_TRUE(world.start("b2", "C-2"));
    world.until_forming(0);
    world.until_forming(1);
    EXPECT_EQ(world.instruments[0].get("CURR"), 0.5) << "C/10 of 5 Ah";
    world.instruments[0].peer.deaf = true;
    world.until_state("b1", "tripped");
    EXPECT_EQ(world.state("b2"), "forming");
    const std::size_t heard = world.instruments[1].peer.lines.size();
    world.until([&] { return world.instruments[1].peer.lines.size() > heard + 20; });
    EXPECT_TRUE(world.instruments[1].on);
    EXPECT_THAT(text_in(world.channel("b1"), "trouble"), Not(IsEmpty()));
}

TEST(SerialBench, a_sample_that_comes_after_the_next_turn_is_asked_for_once) {
    SerialWorld world(1);
    world.open();
    ASSERT_TRUE(world.start("b1", "C-1"));
    world.until_state("b1", "forming");
    world.instruments[0].peer.deaf = true;
    const std::size_t heard = world.instruments[0].peer.lines.size();
    world.until_state("b1", "tripped");
    world.instruments[0].peer.deaf = false;
    world.turn();
    const std::vector<std::string> late = world.instruments[0].lines_since(heard);
    EXPECT_LE(std::count(late.begin(), late.end(), "MEAS1:VOLT?"), 1) << "turns came, and the first was not answered";
}

TEST(SerialBench, what_the_instrument_does_by_itself_trips_the_run) {
    SerialWorld world(1);
    world.open();
    ASSERT_TRUE(world.start("b1", "C-1"));
    world.until_forming(0);
    world.instruments[0].on = false;  // a hand at its front panel
    world.until_state("b1", "tripped");
    EXPECT_THAT(text_in(world.channel("b1"), "trouble"), HasSubstr("switched its own output off"));
    EXPECT_FALSE(world.channel("b1").at("latch").is_null());
}

TEST(SerialBench, an_output_that_somebody_switches_on_where_nothing_runs_is_opened_and_told) {
    SerialWorld world(1);
    world.open();
    world.instruments[0].power_cycle();
    world.instruments[0].peer.pty.unplug();
    world.until([&] { return !world.troubles.empty(); });
    EXPECT_THAT(world.troubles, Contains(HasSubstr("'b1', on which nothing runs, is opened")));
    EXPECT_EQ(text_in(world.channel("b1"), "output"), "opening");
    world.instruments[0].peer.pty.plug_in();
    world.instruments[0].on = true;
    world.until([&] { return text_in(world.channel("b1"), "output") == "open"; });
    EXPECT_FALSE(world.instruments[0].on);
}

TEST(SerialBench, a_restart_of_the_daemon_leaves_a_run_waiting_and_not_tripped) {
    SerialWorld world(1);
    world.open();
    ASSERT_TRUE(world.start("b1", "C-1"));
    world.until_forming(0);
    world.close();
    EXPECT_TRUE(world.instruments[0].on) << "nothing said a word to it";
    world.open();
    EXPECT_THAT(world.not_open, IsEmpty());
    EXPECT_FALSE(world.instruments[0].on);
    EXPECT_EQ(world.state("b1"), "waiting");
    EXPECT_TRUE(world.channel("b1").at("latch").is_null());
    EXPECT_THAT(world.refusal(world.request("resume", {{"channel", "b1"}})), HasSubstr("--cell ID"));
    ASSERT_TRUE(world.request("resume", {{"channel", "b1"}, {"cell", "C-1"}}));
    world.until_state("b1", "forming");
}

TEST(SerialBench, nothing_is_energised_once_the_guardian_is_gone) {
    SerialWorld world(2);
    world.open();
    ASSERT_TRUE(world.start("b1", "C-1"));
    world.until_state("b1", "forming");
    ASSERT_TRUE(world.request("pause", {{"channels", {"b1"}}}));
    world.guardian_alive = false;
    EXPECT_THAT(world.refusal(world.start("b2", "C-2")), HasSubstr("switches outputs off should the daemon die"));
    EXPECT_THAT(world.refusal(world.request("resume", {{"channel", "b1"}})), HasSubstr("start the daemon anew"));
    world.until([&] { return !world.troubles.empty(); });
    EXPECT_THAT(world.troubles, ElementsAre(HasSubstr("nothing real is energised"))) << "once";
}

TEST(SerialBench, the_end_opens_every_output_and_names_what_is_not_seen_open) {
    SerialWorld world(2);
    world.open();
    ASSERT_TRUE(world.start("b1", "C-1"));
    ASSERT_TRUE(world.start("b2", "C-2"));
    world.until_forming(0);
    world.until_forming(1);
    world.instruments[1].ignores_off = 1'000;
    const Bench::Ending ending = world.shut_down(std::chrono::milliseconds(1'500));
    EXPECT_THAT(ending.not_open, ElementsAre("b2"));
    EXPECT_TRUE(ending.recorded);
    EXPECT_FALSE(world.instruments[0].on);
}

TEST(SerialBench, the_time_of_an_instrument_is_not_scaled) {
    SerialWorld world(1);
    world.time_scale = 100.0;
    const Result<void> opened = world.try_open();
    ASSERT_FALSE(opened);
    EXPECT_THAT(opened.error().message, HasSubstr("'b1' hangs on a serial port"));
    EXPECT_THAT(opened.error().message, HasSubstr("leave out --time-scale"));
}

}  // namespace
}  // namespace slowfilm::bench
