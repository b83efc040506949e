#include "daemon/bench/tray.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using testing::HasSubstr;

std::string complaints(std::string_view text) {
    const ParsedTray parsed = parse_tray("shelf/two.toml", text);
    EXPECT_FALSE(parsed.tray);
    return render(parsed.diagnostics, text);
}

constexpr std::string_view good = R"(protocol = "../night.toml"
[[cell]]
channel = "a1"
id = "B7-0042"
capacity = "5.1 Ah"
[[cell]]
channel = "a2"
id = "B7-0043"
)";

TEST(Tray, says_which_cells_lie_in_which_channels) {
    const ParsedTray parsed = parse_tray("shelf/two.toml", good);
    ASSERT_TRUE(parsed.tray) << render(parsed.diagnostics, good);
    EXPECT_EQ(parsed.tray->name, "two");
    EXPECT_EQ(parsed.tray->protocol, "night.toml");
    ASSERT_EQ(parsed.tray->cells.size(), 2U);
    EXPECT_EQ(parsed.tray->cells[0].channel, "a1");
    EXPECT_EQ(parsed.tray->cells[0].id, "B7-0042");
    EXPECT_EQ(parsed.tray->cells[0].capacity, Charge{18'360'000'000'000'000});
    EXPECT_FALSE(parsed.tray->cells[1].capacity);
    EXPECT_EQ(parse_tray("t.toml", "name = \"Monday\"\n" + std::string(good)).tray->name, "Monday");
    EXPECT_EQ(parse_tray("t.toml", "protocol = \"/p.toml\"\n[[cell]]\nchannel=\"a\"\nid=\"b\"").tray->protocol,
              "/p.toml");
}

TEST(Tray, every_fault_has_its_place_and_its_sentence) {
    struct Case {
        const char* text;
        const char* says;
    };
    for (const Case& one : {
             Case{"", "two.toml:1:1: error: "},
             Case{"protocol = \"p.toml\"\n", "'cell'"},
             Case{"[[cell]]\nchannel = \"a1\"\nid = \"x\"\n", "'protocol'"},
             Case{"protocol = \"\"\n[[cell]]\nchannel = \"a1\"\nid = \"x\"\n",
                  "two.toml:1:12: error: 'protocol' needs"},
             Case{"protocol = 3\n[[cell]]\nchannel = \"a1\"\nid = \"x\"\n", "two.toml:1:12: error: "},
             Case{"protocol = \"p\"\n[[cell]]\nid = \"x\"\n", "two.toml:2:1: error: "},
             Case{"protocol = \"p\"\n[[cell]]\nchannel = \"a1\"\n", "two.toml:2:1: error: "},
             Case{"protocol = \"p\"\n[[cell]]\nchannel = \"a1\"\nid = \"\"\n",
                  "two.toml:4:6: error: the cell's ID is empty"},
             Case{"protocol = \"p\"\n[[cell]]\nchannel = \"a1\"\nid = \" x\"\n",
                  "two.toml:4:6: error: the cell's ID begins"},
             Case{"protocol = \"p\"\n[[cell]]\nchannel = \"a1\"\nid = \"x\"\n[[cell]]\nchannel = \"a1\"\nid = \"y\"\n",
                  "two.toml:6:11: error: the channel 'a1' stands in line 3 already"},
             Case{"protocol = \"p\"\n[[cell]]\nchannel = \"a1\"\nid = \"x\"\n[[cell]]\nchannel = \"a2\"\nid = \"x\"\n",
                  "two.toml:7:6: error: the cell's ID 'x' stands in line 4 already"},
             Case{"protocol = \"p\"\n[[cell]]\nchannel = \"a1\"\nid = \"x\"\ncapacity = 5\n", "two.toml:5:12: error: "},
             Case{"protocol = \"p\"\n[[cell]]\nchannel = \"a1\"\nid = \"x\"\ncapacity = \"0 Ah\"\n",
                  "two.toml:5:12: error: a rated capacity of 0 Ah is smaller than any cell's"},
             Case{"protocol = \"p\"\n[[cell]]\nchanel = \"a1\"\nid = \"x\"\n", "did you mean 'channel'"},
             Case{"protocol = \"p\"\nname = \"a\\nb\"\n[[cell]]\nchannel = \"a1\"\nid = \"x\"\n",
                  "the tray's name holds"},
             Case{"protocol = \"p\"\ncell = []\n", "at least one [[cell]]"},
             Case{"protocol = \"p\"\n[cell]\nchannel = \"a1\"\nid = \"x\"\n", "two.toml:2:"},
             Case{"protocol = \"p\n", "two.toml:1:"},
         }) {
        EXPECT_THAT(complaints(one.text), HasSubstr(one.says)) << one.text;
    }
}

TEST(Tray, all_complaints_come_at_once) {
    const std::string text = complaints("protocol = 1\n[[cell]]\nchannel = \"\"\nid = 2\ncapacity = \"much\"\nx = 1\n");
    for (const char* place : {":1:12: ", ":3:11: ", ":4:6: ", ":5:12: ", ":6:1: "}) {
        EXPECT_THAT(text, HasSubstr(place));
    }
}

TEST(Tray, a_tray_holds_no_more_cells_than_a_bench_has_channels) {
    std::string text = "protocol = \"p\"\n";
    for (int i = 0; i < 1025; ++i) {
        const std::string number = std::to_string(i);
        text += "[[cell]]\nchannel = \"a" + number + "\"\nid = \"c" + number + "\"\n";
    }
    EXPECT_THAT(complaints(text), HasSubstr("at most 1024 cells"));
}

}  // namespace
}  // namespace slowfilm::bench
