// The death of the daemon is played with real processes and real pseudo-terminals; each wait ends with what it waits
// for.
#include "daemon/channel/guardian.hpp"

#include "daemon/channel/guardian_message.hpp"

#include <array>
#include <cerrno>
#include <csignal>
#include <cstdlib>

#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

namespace slowfilm::channel {
namespace {

constexpr int give_up_ms = 10'000;

// A pseudo-terminal: the port's end, and the instrument's.
struct Pair {
    Pair() : instrument(::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC)) {
        ::grantpt(instrument);
        ::unlockpt(instrument);
        std::array<char, 128> name{};
        ::ptsname_r(instrument, name.data(), name.size());
        port = ::open(name.data(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
        termios raw{};
        ::tcgetattr(port, &raw);
        ::cfmakeraw(&raw);
        ::tcsetattr(port, TCSANOW, &raw);
    }
    ~Pair() {
        close_port();
        ::close(instrument);
    }
    Pair(const Pair&) = delete;
    Pair& operator=(const Pair&) = delete;
    void close_port() {
        if (port >= 0) {
            ::close(port);
            port = -1;
        }
    }
    // What comes until the last holder of the port has closed it.
    [[nodiscard]] std::string all() const {
        std::string text;
        for (;;) {
            pollfd ready{.fd = instrument, .events = POLLIN, .revents = 0};
            if (::poll(&ready, 1, give_up_ms) <= 0) {
                return text + "(and nothing more, with the port still held open)";
            }
            std::array<char, 256> bytes{};
            const ssize_t got = ::read(instrument, bytes.data(), bytes.size());
            if (got <= 0) {
                return text;
            }
            text.append(bytes.data(), static_cast<std::size_t>(got));
        }
    }
    int instrument{-1};
    int port{-1};
};

const OffFrames off{.line_end = "\n", .frames = {"OUTP OFF\n", "CURR 0\n"}, .pause = Duration{1'000}};

// A daemon that has handed over its ports and is then killed, as by the kernel when memory runs out.
void die_with(const std::vector<Pair*>& pairs, const std::string& half = "") {
    const pid_t daemon = ::fork();
    if (daemon == 0) {
        Result<Guardian> guardian = Guardian::start();
        for (std::size_t i = 0; guardian && i < pairs.size(); ++i) {
            if (!guardian->keep(static_cast<std::uint32_t>(i), pairs[i]->port, off)) {
                ::_exit(1);
            }
        }
        if (!half.empty() && ::write(pairs[0]->port, half.data(), half.size()) < 0) {
            ::_exit(1);
        }
        ::raise(SIGKILL);
    }
    for (Pair* pair : pairs) {
        pair->close_port();
    }
    int status = 0;
    ASSERT_EQ(::waitpid(daemon, &status, 0), daemon);
    ASSERT_TRUE(WIFSIGNALED(status));
}

TEST(Guardian, a_killed_daemon_leaves_every_output_switched_off) {
    Pair first;
    Pair second;
    die_with({&first, &second});
    EXPECT_EQ(first.all(), "\nOUTP OFF\nCURR 0\n");
    EXPECT_EQ(second.all(), "\nOUTP OFF\nCURR 0\n");
}

TEST(Guardian, a_line_cut_short_by_the_death_is_ended_before_the_off_frames) {
    Pair pair;
    die_with({&pair}, "VOLT 4.");
    EXPECT_EQ(pair.all(), "VOLT 4.\nOUTP OFF\nCURR 0\n");
}

TEST(Guardian, a_port_that_takes_nothing_delays_no_other) {
    Pair stuck;
    Pair free;
    const std::string flood(4'096, 'x');
    while (::write(stuck.port, flood.data(), flood.size()) > 0) {
    }
    ASSERT_EQ(errno, EAGAIN);
    die_with({&stuck, &free});
    EXPECT_EQ(free.all(), "\nOUTP OFF\nCURR 0\n");
}

TEST(Guardian, a_port_that_is_gone_delays_no_other) {
    Pair gone;
    Pair there;
    const int master = std::exchange(gone.instrument, -1);
    ::close(master);
    die_with({&gone, &there});
    EXPECT_EQ(there.all(), "\nOUTP OFF\nCURR 0\n");
}

TEST(Guardian, after_release_it_ends_without_a_byte) {
    Pair pair;
    Result<Guardian> guardian = Guardian::start();
    ASSERT_TRUE(guardian) << guardian.error().message;
    ASSERT_TRUE(guardian->keep(7, pair.port, off));
    EXPECT_TRUE(guardian->alive());
    guardian->release();
    EXPECT_FALSE(guardian->alive());
    pair.close_port();
    EXPECT_EQ(pair.all(), "");
}

TEST(Guardian, a_daemon_that_ends_without_having_seen_its_outputs_open_has_them_switched_off) {
    Pair pair;
    {
        Result<Guardian> guardian = Guardian::start();
        ASSERT_TRUE(guardian) << guardian.error().message;
        ASSERT_TRUE(guardian->keep(7, pair.port, off));
    }
    pair.close_port();
    EXPECT_EQ(pair.all(), "\nOUTP OFF\nCURR 0\n");
}

TEST(Guardian, it_lets_go_of_a_port_that_is_forgotten_or_kept_anew) {
    Pair forgotten;
    Pair kept;
    Result<Guardian> guardian = Guardian::start();
    ASSERT_TRUE(guardian) << guardian.error().message;
    ASSERT_TRUE(guardian->keep(1, forgotten.port, off));
    ASSERT_TRUE(guardian->keep(2, kept.port, off));
    ASSERT_TRUE(guardian->keep(2, kept.port, {.line_end = "", .frames = {"OFF\n"}, .pause = {}}));
    guardian->forget(1);
    forgotten.close_port();
    EXPECT_EQ(forgotten.all(), "");  // ends only when nobody holds the port any more
    kept.close_port();
    { const Guardian ends = std::move(*guardian); }
    EXPECT_EQ(kept.all(), "OFF\n");
}

TEST(Guardian, the_signals_that_end_a_daemon_do_not_end_it) {
    Result<Guardian> guardian = Guardian::start();
    ASSERT_TRUE(guardian) << guardian.error().message;
    Pair pair;
    for (const int signal : {SIGINT, SIGTERM, SIGHUP, SIGQUIT}) {
        ::kill(guardian->process(), signal);
    }
    ASSERT_TRUE(guardian->keep(1, pair.port, off));
    EXPECT_TRUE(guardian->alive());
    guardian->release();
}

TEST(Guardian, one_that_was_killed_is_missed) {
    Result<Guardian> guardian = Guardian::start();
    ASSERT_TRUE(guardian) << guardian.error().message;
    Pair pair;
    ASSERT_TRUE(guardian->keep(1, pair.port, off));
    ::kill(guardian->process(), SIGKILL);
    siginfo_t ended{};
    ASSERT_EQ(::waitid(P_PID, static_cast<id_t>(guardian->process()), &ended, WEXITED | WNOWAIT), 0);
    EXPECT_FALSE(guardian->alive());
    const Result<void> kept = guardian->keep(1, pair.port, off);
    ASSERT_FALSE(kept);
    EXPECT_THAT(kept.error().message, ::testing::HasSubstr("is gone"));
}

TEST(GuardianMessage, what_is_too_long_is_refused) {
    EXPECT_FALSE(encode_keep(1, {}));
    EXPECT_FALSE(encode_keep(1, {.line_end = "", .frames = {std::string(2'049, 'x')}, .pause = {}}));
    EXPECT_FALSE(encode_keep(1, {.line_end = "", .frames = std::vector<std::string>(17, "x"), .pause = {}}));
}

TEST(GuardianMessage, a_packet_comes_back_as_it_was_and_a_torn_one_not_at_all) {
    const std::string packet = encode_keep(4'000'000'000U, off).value();
    const auto message = decode_message(packet);
    ASSERT_TRUE(message);
    EXPECT_EQ(message->port, 4'000'000'000U);
    EXPECT_EQ(message->off.frames, off.frames);
    EXPECT_EQ(message->off.line_end, off.line_end);
    EXPECT_EQ(message->off.pause, off.pause);
    for (std::size_t size = 0; size < packet.size(); ++size) {
        EXPECT_FALSE(decode_message(std::string_view(packet).substr(0, size))) << size;
    }
    EXPECT_FALSE(decode_message(packet + "x"));
}

}  // namespace
}  // namespace slowfilm::channel
