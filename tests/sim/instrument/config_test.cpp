#include "tests/sim/instrument/world.hpp"

namespace slowfilm::sim::instrument {
namespace {

TEST(VirtualConfig, the_shipped_bench_has_one_of_each_kind) {
    World world{shipped_bench()};
    EXPECT_EQ(world.bench().instruments(),
              (std::vector<std::string>{"src1", "psu", "load", "both", "board", "temps", "oven"}));
    EXPECT_EQ(world.bench().cells(), (std::vector<std::string>{"c1", "c2", "c3"}));
    const std::string state = console(world.bench(), "state");
    for (const char* words : {"two-quadrant source", "supply,", "load,", "supply and load", "channel board",
                              "temperature module", "chamber"}) {
        EXPECT_NE(state.find(words), std::string::npos) << words;
    }
}

std::string complaints(const std::string& text) {
    const ReadBench read = read_virtual_bench("virtual.toml", text);
    EXPECT_EQ(read.parts.has_value(), !read.diagnostics.has_errors());
    return render(read.diagnostics, text);
}

TEST(VirtualConfig, what_is_wrong_is_said_at_its_place) {
    struct Case {
        std::string text;
        const char* place;
        const char* words;
    };
    const std::string cell = circuit_cell("c1");
    const std::string fit = cell + scpi("s", "supply");
    for (const Case& one : {
             Case{cell + scpi("s", "supply", "cell = \"c9\"\n"), ":14:8:", "there are c1"},
             Case{cell + scpi("s", "oscilloscope"), ":10:8:", "two-quadrant source"},
             Case{cell + scpi("s/x", "supply"), ":9:8:", "letters, digits"},
             Case{cell + scpi("clock", "supply"), ":9:8:", "socket"},
             Case{cell + scpi("s", "supply", "colour = \"blue\"\n"), ":15:", "unknown key"},
             Case{cell + scpi("s", "supply", "off_state = \"off\"\n"), ":14:", "relay open"},
             Case{cell + "[[instrument]]\nname = \"s\"\nkind = \"supply\"\ncell = \"c1\"\n", ":8:1:", "off_state"},
             Case{fit + scpi("s", "supply"), ":16:8:", "already"},
             Case{fit + scpi("t", "supply", "port = \"s\"\n"), ":22:8:", "only Modbus units share"},
             Case{cell + circuit_cell("c1") + scpi("s", "supply"), ":9:8:", "already"},
             Case{"[[cell]]\nname = \"c1\"\nlike = \"lead/acid\"\ncapacity = \"5 Ah\"\nstate = \"formed\"\n" +
                      scpi("s", "supply"),
                  ":4:8:", "lead/acid"},
             Case{fit + "[[fault]]\ninstrument = \"x\"\nkind = \"late\"\n", ":16:14:", "called \"x\""},
             Case{fit + "[[fault]]\ninstrument = \"s\"\nkind = \"tired\"\n", ":17:8:", "output stuck on"},
             Case{fit + "[[fault]]\ninstrument = \"s\"\nkind = \"late\"\nfor = \"0 s\"\n", ":18:7:", "above zero"},
             Case{fit + "[[fault]]\ninstrument = \"s\"\nkind = \"contactor welded\"\nafter = \"9 h\"\n",
                  ":17:8:", "cannot have that"},
             Case{fit + "[[fault]]\ninstrument = \"s\"\nkind = \"stale\"\noutput = 2\n", ":17:8:", "no output 2"},
             Case{fit + "[[fault]]\ninstrument = \"s\"\nkind = \"panel turned\"\nsetting = \"volt\"\n",
                  ":17:8:", "a value to turn to"},
             Case{cell + scpi("s", "supply", "noise = { voltage = \"-1 mV\" }\n"), ":15:", "negative"},
             Case{cell + scpi("s", "two-quadrant source", "voltage = { max = \"0 V\" }\n"), ":15:", "above zero"},
             Case{circuit_cell("c1", "chamber = \"oven\"\n") + scpi("s", "supply"), ":8:11:", "chamber"},
             Case{"room = \"200 degC\"\n" + fit, ":2:8:", "-30 degC"},
         }) {
        const std::string said = complaints("format = 1\n" + one.text);
        EXPECT_NE(said.find("virtual.toml" + std::string{one.place}), std::string::npos) << one.text << "\n" << said;
        EXPECT_NE(said.find(one.words), std::string::npos) << said;
    }
    EXPECT_NE(complaints(fit).find("format"), std::string::npos);
}

}  // namespace
}  // namespace slowfilm::sim::instrument
