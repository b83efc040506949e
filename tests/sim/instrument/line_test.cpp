// Bytes in time, and what faults make of them.
#include "tests/sim/instrument/world.hpp"

#include <functional>
#include <numeric>
#include <vector>

namespace slowfilm::sim::instrument {
namespace {

const std::string identity = "slowfilm,virtual two-quadrant source,s,1\n";

World slow_source() {
    return World{circuit_cell("c1") + "[[instrument]]\nname = \"s\"\nkind = \"two-quadrant source\"\ncell = \"c1\"\n" +
                 "off_state = \"relay open\"\nbaud = 9600\nanswer = \"7 ms\"\n"};
}

// When the bench says that something may come, until it does; and what.
std::pair<Time, std::string> await(World& world, Duration at_most = 60_s) {
    const Time end = world.bench().now() + at_most;
    while (const auto next = world.bench().next()) {
        if (*next > end) {
            break;
        }
        world.bench().run_to(*next);
        if (std::string bytes = world.bench().take(0); !bytes.empty()) {
            return {world.bench().now(), bytes};
        }
    }
    return {world.bench().now(), {}};
}

TEST(VirtualLine, bytes_take_the_time_that_their_baud_rate_gives_them) {
    World world = slow_source();
    world.bench().put(0, "*IDN?\n");
    const auto [when, bytes] = await(world);
    EXPECT_EQ(bytes, identity);
    // Ten bits each: six there, 7 ms to think, 42 back.
    const double expected = 6 * 10 / 9600.0 + 7e-3 + static_cast<double>(identity.size()) * 10 / 9600.0;
    EXPECT_NEAR(seconds(when - Time{}), expected, 3e-6);
    EXPECT_FALSE(world.bench().next()) << "nothing is left to come";
}

TEST(VirtualLine, nothing_comes_before_its_time) {
    World world = slow_source();
    world.bench().put(0, "*IDN?\n");
    world.pass(50_ms);
    EXPECT_EQ(world.bench().take(0), "");
    ASSERT_TRUE(world.bench().next());
    world.bench().run_to(*world.bench().next());
    EXPECT_EQ(world.bench().take(0), identity);
}

TEST(VirtualLine, a_question_may_come_in_pieces) {
    World world = slow_source();
    for (const char c : std::string{"*IDN?"}) {
        world.bench().put(0, {&c, 1});
        world.pass(1_s);
    }
    EXPECT_EQ(world.bench().take(0), "");
    EXPECT_EQ(world.exchange("s", "\n"), identity);
}

TEST(VirtualLine, silent_does_and_does_not_say) {
    World world = slow_source();
    world.command("fault s silent");
    EXPECT_EQ(world.exchange("s", "VOLT 3;*IDN?\n"), "");
    world.command("clear s");
    EXPECT_EQ(world.exchange("s", "VOLT?\n"), "+3.00000000E+00\n");
}

TEST(VirtualLine, frozen_hears_nothing_and_leaves_the_output_as_it_is) {
    World world = slow_source();
    (void)world.exchange("s", "VOLT 4.2;CURR 1;:OUTP ON\n");
    world.command("fault s frozen for 10");
    EXPECT_EQ(world.exchange("s", "OUTP OFF\n*IDN?\n"), "");
    world.pass(10_s);
    EXPECT_EQ(world.exchange("s", "OUTP?\n"), "1\n");
}

TEST(VirtualLine, late_answers_come_after_the_next_question) {
    World world = slow_source();
    world.command("fault s late value 0.5");
    world.bench().put(0, "VOLT?\n");
    const auto [when, bytes] = await(world);
    EXPECT_EQ(bytes, "+0.00000000E+00\n");
    EXPECT_GT(seconds(when - Time{}), 0.5);
    world.command("clear s");
    world.bench().put(0, "VOLT?\n");
    EXPECT_LT(seconds(await(world).first - when), 0.1);
}

TEST(VirtualLine, split_answers_come_in_two_pieces) {
    World world = slow_source();
    world.command("fault s split value 0.2");
    world.bench().put(0, "*IDN?\n");
    const auto [first_time, first] = await(world);
    const auto [second_time, second] = await(world);
    EXPECT_FALSE(first.empty());
    EXPECT_FALSE(second.empty());
    EXPECT_EQ(first + second, identity);
    EXPECT_GT(seconds(second_time - first_time), 0.2);
}

TEST(VirtualLine, merged_answers_come_together) {
    World world = slow_source();
    world.command("fault s merged");
    EXPECT_EQ(world.exchange("s", "*IDN?\n"), "");
    EXPECT_EQ(world.exchange("s", "OUTP?\n", 200_ms), identity + "0\n");
}

TEST(VirtualLine, garbled_answers_have_one_byte_wrong) {
    World world = slow_source();
    world.command("fault s garbled");
    for (int count = 0; count < 20; ++count) {
        const std::string answer = world.exchange("s", "*IDN?\n", 200_ms);
        ASSERT_EQ(answer.size(), identity.size());
        const auto differ = std::inner_product(answer.begin(), answer.end(), identity.begin(), 0, std::plus<>{},
                                               [](char a, char b) { return a != b ? 1 : 0; });
        EXPECT_EQ(differ, 1);
    }
}

TEST(VirtualLine, an_echo_comes_first) {
    World world = slow_source();
    world.command("fault s echoing");
    EXPECT_EQ(world.exchange("s", "OUTP?\n"), "OUTP?\n0\n");
}

TEST(VirtualLine, the_last_answer_comes_again) {
    World world = slow_source();
    EXPECT_EQ(world.exchange("s", "OUTP?\n"), "0\n");
    world.command("fault s last answer again");
    EXPECT_EQ(world.exchange("s", "*IDN?\n"), "0\n");
    EXPECT_EQ(world.exchange("s", "VOLT?\n"), "0\n");
}

TEST(VirtualLine, unplugged_is_gone_and_comes_back_under_another_name) {
    World world = slow_source();
    (void)world.exchange("s", "VOLT 3\n");
    world.bench().put(0, "*IDN?\n");
    world.command("fault s unplugged for 5 as s-again");
    EXPECT_FALSE(world.bench().line(0).plugged());
    EXPECT_EQ(world.exchange("s", "*IDN?\n", 4_s), "");
    world.pass(2_s);
    EXPECT_TRUE(world.bench().line(0).plugged());
    EXPECT_EQ(world.exchange("s-again", "VOLT?\n"), "+3.00000000E+00\n") << "the instrument itself knew nothing of it";
    world.command("unplug s");
    EXPECT_EQ(world.exchange("s-again", "*IDN?\n"), "");
    world.command("plug s as s");
    EXPECT_EQ(world.exchange("s", "*IDN?\n"), identity);
}

TEST(VirtualLine, a_script_does_what_the_console_does_and_ends_it) {
    World world{circuit_cell("c1") + scpi("s", "supply") +
                "[[fault]]\ninstrument = \"s\"\nkind = \"silent\"\nafter = \"1 s\"\nfor = \"1 s\"\n"};
    EXPECT_NE(world.ask("s", "*IDN?"), "");
    world.pass(1_s);
    EXPECT_EQ(world.ask("s", "*IDN?"), "");
    world.pass(1_s);
    EXPECT_NE(world.ask("s", "*IDN?"), "");
}

}  // namespace
}  // namespace slowfilm::sim::instrument
