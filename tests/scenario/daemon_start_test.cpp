// How the daemon starts, and what it refuses: each with its exit code, one sentence, and nothing half-done.
#include "tests/scenario/daemon_world.hpp"

#include <gmock/gmock.h>

namespace slowfilm::scenario {
namespace {

using testing::EndsWith;
using testing::HasSubstr;
using testing::StartsWith;

// One line, and no more.
void expect_one_sentence(const std::string& log) {
    EXPECT_THAT(log, StartsWith("slowfilmd: "));
    EXPECT_THAT(log, EndsWith("\n"));
    EXPECT_EQ(log.find('\n'), log.size() - 1) << log;
}

TEST(DaemonStart, a_second_daemon_on_the_same_socket_is_refused) {
    CommandFolder folder;
    folder.write("bench.toml", bench_text());
    folder.write("other.toml", bench_text("other.ledger"));
    DaemonProcess first(folder);
    first.start();
    const std::string first_log = first.log();
    DaemonProcess second(folder, "2000", "other.toml");
    EXPECT_EQ(second.run_to_end(), 75);
    expect_one_sentence(second.log());
    EXPECT_THAT(second.log(), HasSubstr("control/socket"));
    EXPECT_FALSE(std::filesystem::exists(folder / "other.ledger")) << "nothing half-done";
    EXPECT_EQ(first.ask({"status"}).code, 0) << "the first lives";
}

TEST(DaemonStart, a_second_daemon_on_the_same_ledger_is_refused) {
    CommandFolder folder;
    folder.write("bench.toml", bench_text());
    folder.write("other.toml", bench_text("bench.ledger", "elsewhere/socket"));
    DaemonProcess first(folder);
    first.start();
    DaemonProcess second(folder, "2000", "other.toml");
    EXPECT_EQ(second.run_to_end(), 75);
    expect_one_sentence(second.log());
    EXPECT_THAT(second.log(), HasSubstr("bench.ledger"));
    EXPECT_EQ(first.ask({"status"}).code, 0);
    EXPECT_EQ(first.end(SIGTERM), 0);
}

TEST(DaemonStart, a_bad_bench_file_is_78_with_its_place) {
    CommandFolder folder;
    std::string text = bench_text();
    text.replace(text.find("\"6 A\""), 5, "6");
    folder.write("bench.toml", text);
    DaemonProcess daemon(folder);
    EXPECT_EQ(daemon.run_to_end(), 78);
    EXPECT_THAT(daemon.log(), StartsWith("bench.toml:8:15: error: "));
    EXPECT_FALSE(std::filesystem::exists(folder / "bench.ledger"));
    EXPECT_FALSE(std::filesystem::exists(folder / "control"));
}

TEST(DaemonStart, every_bad_beginning_has_its_code) {
    CommandFolder folder;
    folder.write("bench.toml", bench_text());
    folder.write("long.toml", bench_text("bench.ledger", std::string(108, 's')));
    folder.write("syntax.toml", "format = 1\nname = \n");
    struct Case {
        std::string scale, bench;
        int code;
    };
    for (const Case& one :
         {Case{"2000", "nowhere.toml", 78}, Case{"2000", "control", 78}, Case{"2000", "long.toml", 78},
          Case{"2000", "syntax.toml", 78}, Case{"0", "bench.toml", 64}, Case{"-1", "bench.toml", 64},
          Case{"fast", "bench.toml", 64}, Case{"", "bench.toml", 64}, Case{"2000x", "bench.toml", 64},
          Case{"nan", "bench.toml", 64}, Case{"inf", "bench.toml", 64}, Case{"2,5", "bench.toml", 64},
          Case{"1e99", "bench.toml", 64}}) {
        DaemonProcess daemon(folder, one.scale, one.bench);
        EXPECT_EQ(daemon.run_to_end(), one.code) << one.scale << " " << one.bench << "\n" << daemon.log();
        EXPECT_FALSE(daemon.log().empty());
    }
    EXPECT_FALSE(std::filesystem::exists(folder / "bench.ledger"));
}

TEST(DaemonStart, a_file_that_is_no_ledger_is_refused_and_left_alone) {
    CommandFolder folder;
    folder.write("bench.toml", bench_text());
    const std::string precious = "these are somebody's notes, not a ledger; they are long enough to be looked at\n";
    folder.write("bench.ledger", precious);
    DaemonProcess daemon(folder);
    EXPECT_EQ(daemon.run_to_end(), 65);
    expect_one_sentence(daemon.log());
    EXPECT_EQ(read_whole(folder / "bench.ledger"), precious);
}

TEST(DaemonStart, a_ledger_from_the_future_is_refused_and_left_alone) {
    CommandFolder folder;
    folder.write("bench.toml", bench_text());
    DaemonProcess daemon(folder);
    daemon.start();
    ASSERT_EQ(daemon.end(SIGTERM), 0);
    std::string bytes = read_whole(folder / "bench.ledger");
    ASSERT_GT(bytes.size(), 100U);
    // The user version is the big-endian number at byte 60 (sqlite.org/fileformat2.html, 1.3).
    bytes[62] = '\x7f';
    folder.write("bench.ledger", bytes);
    EXPECT_EQ(daemon.run_to_end(), 65);
    expect_one_sentence(daemon.log());
    EXPECT_THAT(daemon.log(), HasSubstr("newer"));
    EXPECT_EQ(read_whole(folder / "bench.ledger"), bytes);
}

TEST(DaemonStart, help_and_version_start_nothing) {
    const std::string out = std::filesystem::temp_directory_path() / ("slowfilmd-help-" + std::to_string(::getpid()));
    for (const char* word : {"--help", "--version"}) {
        const std::string line = std::string(SLOWFILM_BINARY_DIR "/bin/slowfilmd ") + word + " >" + out;
        EXPECT_EQ(std::system(line.c_str()), 0);
        EXPECT_THAT(read_whole(out), HasSubstr("slowfilmd"));
    }
    std::filesystem::remove(out);
}

}  // namespace
}  // namespace slowfilm::scenario
