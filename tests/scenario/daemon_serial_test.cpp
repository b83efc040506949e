// The real daemon on a serial instrument: a pseudo-terminal, with this process at its far end.
#include "tests/daemon/channel/test_instrument.hpp"
#include "tests/scenario/daemon_world.hpp"

#include <atomic>
#include <chrono>
#include <iostream>
#include <mutex>
#include <thread>

#include <gmock/gmock.h>

namespace slowfilm::scenario {
namespace {

using testing::Contains;
using testing::HasSubstr;
using testing::Not;

// An instrument that lives by itself.
class LivingInstrument {
  public:
    explicit LivingInstrument(const std::string& port)
        : instrument_(port, test::source_identity),
          held_(::open(instrument_.peer.pty.device().c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC)) {
        instrument_.instead["MEAS:TEMP?"] = "25.0\n";
        instrument_.heard = [this](const std::string&) { instrument_.cell = 3.7 + 0.03 * instrument_.current(); };
        thread_ = std::thread([this] { live(); });
    }
    ~LivingInstrument() {
        ended_ = true;
        thread_.join();
        ::close(held_);
    }
    LivingInstrument(const LivingInstrument&) = delete;
    LivingInstrument& operator=(const LivingInstrument&) = delete;

    template <class Look>
    auto look(Look look) {
        const std::lock_guard lock(mutex_);
        return look(instrument_);
    }
    // When it was so; a minute is a fault, not a timing.
    template <class So>
    std::chrono::steady_clock::time_point until(So so) {
        const auto patience = std::chrono::steady_clock::now() + std::chrono::minutes(1);
        while (!look(so)) {
            if (std::chrono::steady_clock::now() > patience) {
                ADD_FAILURE() << "the instrument never came to that";
                break;
            }
            std::this_thread::yield();
        }
        return std::chrono::steady_clock::now();
    }

  private:
    void live() {
        while (!ended_) {
            pollfd ready{instrument_.peer.pty.master(), POLLIN, 0};
            ::poll(&ready, 1, 5);
            const std::lock_guard lock(mutex_);
            instrument_.peer.turn();
        }
    }

    test::TestInstrument instrument_;
    int held_;  // so that the line does not hang up while nobody else has it
    std::mutex mutex_;
    std::atomic<bool> ended_{false};
    std::thread thread_;
};

std::string serial_bench() {
    return R"(format = 1
name = "one source"
ledger = "bench.ledger"
socket = "control/socket"
commit_every = "200 ms"
[limits]
voltage_max = "4.4 V"
current_max = "6 A"
temperature_max = "60 degC"
[[channel]]
name = "b1"
kind = "instrument"
period = "200 ms"
temperature_of = "cell"
  [channel.instrument]
  profile = "source.toml"
  port = "source"
  sense = "four wire"
  protection = { voltage = "4.35 V", current = "3.5 A" }
)";
}

class Serial : public ::testing::Test {
  protected:
    Serial() {
        folder.write("bench.toml", serial_bench());
        folder.write("source.toml", test::quick_profile());
        folder.write("long.toml", long_protocol());
    }
    void run() {
        daemon.start();
        const Ran started =
            daemon.ask({"start", "--channel", "b1", "--cell", "C-1", "--protocol", folder / "long.toml"});
        EXPECT_EQ(started.code, 0) << started.err;
        daemon.await_state("b1", "forming");
        source.until([](auto& one) { return one.on && one.get("CURR") > 0.09; });
    }

    CommandFolder folder;
    LivingInstrument source{folder / "source"};
    DaemonProcess daemon{folder, std::nullopt};
};

TEST_F(Serial, a_killed_daemon_leaves_off_on_the_wire) {
    run();
    const auto killed = std::chrono::steady_clock::now();
    daemon.end(SIGKILL);
    const auto off = source.until([](auto& one) { return !one.on; });
    std::cout << "killed, and " << std::chrono::duration_cast<std::chrono::microseconds>(off - killed).count() / 1e3
              << " ms later the output is off\n";
    source.look([](auto& one) {
        EXPECT_EQ(one.peer.lines.back(), "OUTP1 OFF");
        return 0;
    });
    daemon.start();
    EXPECT_EQ(daemon.channel("b1").at("state"), "waiting");
    EXPECT_EQ(daemon.channel("b1").at("output"), "open");
    EXPECT_EQ(daemon.ask({"resume", "b1", "--cell", "C-1"}).code, 0);
    daemon.await_state("b1", "forming");
    EXPECT_EQ(daemon.end(SIGTERM), 0) << daemon.log();
}

TEST_F(Serial, the_end_switches_off_and_nothing_is_written_after_it) {
    run();
    EXPECT_EQ(daemon.end(SIGTERM), 0) << daemon.log();
    source.look([](auto& one) {
        one.peer.turn();
        EXPECT_FALSE(one.on);
        EXPECT_NE(one.peer.lines.back(), "OUTP1 OFF") << "the guardian had nothing to do";
        EXPECT_EQ(one.get("CURR"), 0.0) << "at zero, besides";
        return 0;
    });
}

TEST_F(Serial, an_output_that_stays_on_is_named_at_the_end) {
    run();
    source.look([](auto& one) { return one.ignores_off = 1'000; });
    EXPECT_EQ(daemon.end(SIGTERM), 74);
    EXPECT_THAT(daemon.log(), HasSubstr("these outputs are not seen open, open them by hand: 'b1'"));
}

TEST_F(Serial, without_its_guardian_the_daemon_starts_nothing) {
    daemon.start();
    const std::string pid = std::to_string(daemon.process());
    const std::string guardian = command::read_whole("/proc/" + pid + "/task/" + pid + "/children");
    ASSERT_GT(std::atoi(guardian.c_str()), 0);
    ::kill(std::atoi(guardian.c_str()), SIGKILL);
    const auto start = [this] {
        return daemon.ask({"start", "--channel", "b1", "--cell", "C-1", "--protocol", folder / "long.toml"});
    };
    const Ran refused = start();
    EXPECT_EQ(refused.code, 75) << refused.out;
    EXPECT_THAT(refused.err, HasSubstr("switches outputs off should the daemon die is gone"));
    EXPECT_EQ(daemon.end(SIGTERM), 0);
    EXPECT_THAT(daemon.log(), HasSubstr("nothing real is energised"));
}

TEST_F(Serial, time_is_not_scaled_where_an_instrument_is_real) {
    DaemonProcess scaled(folder, "100");
    EXPECT_EQ(scaled.run_to_end(), 78);
    EXPECT_THAT(scaled.log(), HasSubstr("leave out --time-scale"));
}

TEST_F(Serial, a_probe_tells_what_a_profile_and_its_instrument_can_do_with_the_output_off) {
    const std::vector<std::string> words{"probe", folder / "source", "--profile", folder / "source.toml"};
    const Ran probed = command::slowfilm(words);
    EXPECT_EQ(probed.code, 0) << probed.err;
    EXPECT_THAT(probed.out, HasSubstr(test::source_identity));
    EXPECT_THAT(probed.out, HasSubstr("output off"));
    EXPECT_THAT(probed.out, HasSubstr("no heartbeat is watched"));
    source.look([](auto& one) {
        EXPECT_THAT(one.peer.lines, Not(Contains("OUTP1 ON")));
        return one.instead["*IDN?"] = "another,one,2,3\n";
    });
    const Ran other = command::slowfilm(words);
    EXPECT_EQ(other.code, 1);
    EXPECT_THAT(other.out, HasSubstr("'another,one,2,3'"));
}

TEST_F(Serial, a_port_that_a_daemon_has_is_not_probed) {
    daemon.start();
    const Ran probed = command::slowfilm({"probe", folder / "source", "--profile", folder / "source.toml"});
    EXPECT_EQ(probed.code, 75);
    EXPECT_THAT(probed.err, HasSubstr("source"));
    EXPECT_EQ(daemon.end(SIGTERM), 0);
}

TEST_F(Serial, ports_are_listed_and_asked_only_when_told_to) {
    const std::string port = folder / "source";
    const Ran listed = command::slowfilm({"instruments", "--in", folder.path()});
    EXPECT_EQ(listed.code, 0) << listed.err;
    EXPECT_THAT(listed.out, HasSubstr(port));
    EXPECT_TRUE(source.look([](auto& one) { return one.peer.everything.empty(); }));
    const Ran asked =
        command::slowfilm({"instruments", "--in", folder.path(), "--identify", "--profile", folder / "source.toml"});
    EXPECT_EQ(asked.code, 0) << asked.err;
    EXPECT_THAT(asked.out, HasSubstr(test::source_identity));
}

}  // namespace
}  // namespace slowfilm::scenario
