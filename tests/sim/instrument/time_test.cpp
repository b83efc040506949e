// The same bytes at the same times give the same record, whatever the steps in which time went on; and no bytes at all,
// from anywhere, bring a bench down.
#include "tests/property.hpp"
#include "tests/sim/instrument/world.hpp"

#include <vector>

namespace slowfilm::sim::instrument {
namespace {

constexpr const char* noisy_night =
    "noise = { voltage = \"100 uV\", current = \"100 uA\" }\nthermometer = true\nsettle = \"70 ms\"\n";

World night() {
    return World{circuit_cell("c1") + scpi("s", "two-quadrant source", noisy_night) +
                 scpi("l", "load", "off_state = \"sinks\"\n") +
                 "[[fault]]\ninstrument = \"s\"\nkind = \"output stuck on\"\nafter = \"40 min\"\nfor = \"10 min\"\n"};
}

// A question a minute for an hour and a half, with time granted in `steps` between.
std::string record(int steps) {
    World world = night();
    std::string all;
    const std::vector<std::string> script{"VOLT 4.2;CURR 1;:OUTP ON\n", "MEAS:VOLT?;CURR?;TEMP?\n", "MEAS:CURR?\n",
                                          "OUTP?\n"};
    for (int minute = 0; minute < 90; ++minute) {
        const std::string& line =
            minute == 42 ? "OUTP OFF\n" : script[minute == 0 ? 0 : 1 + static_cast<std::size_t>(minute) % 3];
        world.bench().put(0, line);
        if (minute % 10 == 5) {
            world.bench().put(1, "VOLT:LOW 3;:CURR 0.3;:INP " + std::string{minute % 20 == 5 ? "ON\n" : "OFF\n"});
            world.bench().put(1, "MEAS:VOLT?;CURR?\n");
        }
        const Time begin = world.bench().now();
        for (int step = 1; step <= steps; ++step) {
            world.bench().run_to(begin + Duration{(60_s).count * step / steps});
            all += world.bench().take(0) + world.bench().take(1);
        }
    }
    return all;
}

TEST(VirtualTime, the_record_does_not_depend_on_how_time_was_granted) {
    const std::string once = record(1);
    EXPECT_GT(once.size(), 2'000U);
    EXPECT_EQ(once, record(1));
    EXPECT_EQ(once, record(7));
    EXPECT_EQ(once, record(600));
}

std::string any_bytes() {
    return *rc::gen::weightedOneOf<std::string>(
        {{2, rc::gen::arbitrary<std::string>()},
         {3, rc::gen::container<std::string>(
                 rc::gen::elementOf(std::string{"VOLTCURMEASOUTPINST:*?;,.@()\"' 0123456789eE+-\n\r\tONF"}))}});
}

TEST(VirtualTime, any_bytes_are_taken_by_every_instrument) {
    const std::string text = shipped_bench();
    test::holds([&] {
        static World world{text};
        const std::string bytes = any_bytes();
        for (std::size_t line = 0; line < world.bench().lines(); ++line) {
            world.bench().put(line, bytes);
        }
        world.pass(1_s);
        for (std::size_t line = 0; line < world.bench().lines(); ++line) {
            (void)world.bench().take(line);
        }
        (void)world.exchange("src1", "\n");
        (void)world.exchange("src1", "*CLS\n");
        RC_ASSERT(world.ask("src1", "*IDN?").starts_with("slowfilm,virtual"));
    });
}

TEST(VirtualTime, any_line_is_answered_by_the_console) {
    const std::string text = shipped_bench();
    test::holds([&] {
        static World world{text};
        const std::vector<std::string> words{
            "fault", "clear", "front", "unplug", "plug", "state", "cell",   "src1",    "temps", "oven", "board",
            "load",  "after", "for",   "value",  "as",   "late",  "stale",  "short",   "c1",    "1",    "0.5",
            "-1",    "9e99",  "volt",  "frozen", "off",  "sinks", "merged", "crowbar", "\xff",  "clear"};
        const auto line = *rc::gen::container<std::vector<std::string>>(rc::gen::elementOf(words));
        std::string text_of_line;
        for (const std::string& word : line) {
            text_of_line += word + " ";
        }
        const std::string answer = console(world.bench(), text_of_line);
        RC_ASSERT(answer.ends_with("ok\n") || answer.starts_with("error: "));
        world.pass(100_ms);
    });
}

}  // namespace
}  // namespace slowfilm::sim::instrument
