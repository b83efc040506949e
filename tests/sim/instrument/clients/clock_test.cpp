// A client that gives the time: lines over the clock's socket, bytes over the ports.
#include "tests/sim/instrument/clients/process.hpp"

#include <charconv>
#include <cstdint>
#include <cstring>
#include <map>
#include <optional>

#include <sys/socket.h>
#include <sys/un.h>

namespace slowfilm::clients {
namespace {

class Clock {
  public:
    explicit Clock(const VirtualPorts& ports) {
        socket_ = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        const std::string path = ports.port("clock");
        std::memcpy(address.sun_path, path.data(), path.size());
        EXPECT_EQ(::connect(socket_, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
    }
    ~Clock() { ::close(socket_); }
    Clock(const Clock&) = delete;
    Clock& operator=(const Clock&) = delete;

    std::string say(const std::string& line) {
        const std::string whole = line + "\n";
        EXPECT_EQ(::send(socket_, whole.data(), whole.size(), MSG_NOSIGNAL), static_cast<ssize_t>(whole.size()));
        return hear();
    }
    std::string hear() {
        std::string answer;
        for (char c = 0; c != '\n';) {
            pollfd ready{socket_, POLLIN, 0};
            if (::poll(&ready, 1, 60'000) <= 0 || ::recv(socket_, &c, 1, 0) != 1) {
                return answer;
            }
            answer += c;
        }
        answer.pop_back();
        return answer;
    }

  private:
    int socket_;
};

std::int64_t field(const std::string& answer, const std::string& name) {
    std::int64_t value = -1;
    if (const std::size_t at = answer.find(" " + name + "="); at != std::string::npos) {
        (void)std::from_chars(answer.data() + at + name.size() + 2, answer.data() + answer.size(), value);
    }
    return value;
}

// A host in lockstep, as the daemon is one.
class Lockstep {
  public:
    Lockstep(const VirtualPorts& ports, std::int64_t begin) : clock_(ports), now_(begin) {
        const std::string answer = clock_.say("grant " + std::to_string(begin));
        EXPECT_TRUE(answer.starts_with("done " + std::to_string(begin) + " next=")) << answer;
    }
    void open(const std::string& path) {
        port_ = ::open(path.c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
        EXPECT_GE(port_, 0) << path;
        written_ = read_ = 0;
    }
    void close() { ::close(port_); }
    // A question and all that comes within `within` us of virtual time, read to the byte.
    std::string ask(const std::string& line, std::int64_t within = 500'000) {
        const std::string whole = line + "\n";
        EXPECT_EQ(::write(port_, whole.data(), whole.size()), static_cast<ssize_t>(whole.size()));
        written_ += static_cast<std::int64_t>(whole.size());
        const std::int64_t end = now_ + within;
        std::string answer;
        while (answer.find('\n') == std::string::npos) {
            const std::string done = grant(next_ > 0 ? std::min(end, next_) : now_);
            answer += read_up_to(field(done, "src"));
            if (next_ < 0 || now_ == end) {
                break;
            }
        }
        return answer;
    }
    std::string grant(std::int64_t until) {
        const std::string done =
            clock_.say("grant " + std::to_string(until) + (written_ > 0 ? " src=" + std::to_string(written_) : ""));
        EXPECT_TRUE(done.starts_with("done " + std::to_string(until) + " next=")) << done;
        now_ = until;
        next_ = field(done, "next");
        return done;
    }
    void pass(std::int64_t time) { (void)grant(now_ + time); }
    std::string say(const std::string& line) { return clock_.say(line); }
    [[nodiscard]] std::int64_t now() const { return now_; }

  private:
    std::string read_up_to(std::int64_t total) {
        std::string bytes;
        while (read_ < total) {
            std::array<char, 256> some{};
            const ssize_t count = ::read(port_, some.data(), some.size());
            if (count <= 0) {
                ADD_FAILURE() << "the port has gone";
                break;
            }
            bytes.append(some.data(), static_cast<std::size_t>(count));
            read_ += count;
        }
        return bytes;
    }

    Clock clock_;
    int port_{-1};
    std::int64_t now_, next_{-1}, written_{0}, read_{0};
};

// Three hours of charge, a reading a minute. `pace` grants more in between.
std::string night(std::int64_t begin, int pace) {
    const VirtualPorts ports{bench_with(source_at_it)};
    Lockstep host{ports, begin};
    host.open(ports.port("src"));
    std::string record = host.ask("VOLT 4.2;CURR 1.5;:OUTP ON;OUTP?");
    for (int minute = 0; minute < 180; ++minute) {
        for (int step = 0; step < pace; ++step) {
            host.pass(60'000'000 / pace);
        }
        const std::int64_t asked = host.now();
        record += std::to_string(asked - begin) + " " + host.ask("MEAS:VOLT?;CURR?;TEMP?");
        record += std::to_string(host.now() - asked) + "\n";
    }
    return record;
}

TEST(VirtualClock, the_same_grants_give_the_same_record_whatever_time_it_is) {
    const std::string once = night(1'000'000, 1);
    EXPECT_NE(once.find("+4.2"), std::string::npos) << once;
    EXPECT_EQ(once, night(1'000'000, 1));
    EXPECT_EQ(once, night(9'000'000'000'000, 1)) << "run time may begin anywhere";
    EXPECT_EQ(once, night(1'000'000, 6)) << "in smaller steps";
}

TEST(VirtualClock, time_never_goes_on_by_itself) {
    const VirtualPorts ports{bench_with(source_at_it)};
    Lockstep host{ports, 0};
    host.open(ports.port("src"));
    EXPECT_EQ(host.grant(0), "done 0 next=-");
    const std::string answer = host.ask("*IDN?");
    EXPECT_EQ(answer, "slowfilm,virtual two-quadrant source,src,1\n");
    // 6 bytes there and 43 back at 115200 baud, ten bits each, and 5 ms to think.
    EXPECT_NEAR(static_cast<double>(host.now()), 49 * 10 / 115'200.0 * 1e6 + 5'000, 3.0);
    EXPECT_EQ(host.say("grant 5"), "error: it is " + std::to_string(host.now()) + " already");
}

TEST(VirtualClock, another_client_says_anew_what_time_it_is) {
    const VirtualPorts ports{bench_with(source_at_it)};
    for (const char* begin : {"5000000000", "3", "77"}) {
        Clock clock{ports};
        EXPECT_EQ(clock.say("grant " + std::string{begin}), "done " + std::string{begin} + " next=-");
        EXPECT_TRUE(clock.say("grant 6000000000").starts_with("done 6000000000"));
        EXPECT_TRUE(clock.say("grant 5999999999").starts_with("error: it is 6000000000"));
    }
}

TEST(VirtualClock, time_goes_on_by_the_machine_when_the_client_has_gone) {
    const VirtualPorts ports{bench_with(source_at_it)};
    {
        Lockstep host{ports, 0};
        host.pass(3'600'000'000);
    }
    const int port = ::open(ports.port("src").c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
    ASSERT_EQ(::write(port, "OUTP?\n", 6), 6);
    pollfd ready{port, POLLIN, 0};
    EXPECT_EQ(::poll(&ready, 1, 60'000), 1) << "nobody grants, and it answers";
    ::close(port);
}

TEST(VirtualClock, a_port_that_is_opened_anew_counts_anew) {
    const VirtualPorts ports{bench_with(source_at_it)};
    Lockstep host{ports, 0};
    for (int count = 0; count < 3; ++count) {
        host.open(ports.port("src"));
        EXPECT_EQ(host.ask("OUTP?"), "0\n");
        EXPECT_EQ(host.ask("VOLT?"), "+0.00000000E+00\n");
        host.close();
    }
}

TEST(VirtualClock, an_instrument_that_is_unplugged_and_back_under_another_name_is_told_by_that_name) {
    const VirtualPorts ports{
        bench_with(source_at_it +
                   "[[fault]]\ninstrument = \"src\"\nkind = \"unplugged\"\nafter = \"10 s\"\nfor = \"5 s\"\n"
                   "as = \"other\"\n")};
    Clock clock{ports};
    EXPECT_EQ(clock.say("grant 0"), "done 0 next=-");
    EXPECT_EQ(clock.say("grant 12000000"), "done 12000000 next=-");
    EXPECT_FALSE(std::filesystem::exists(ports.port("src")));
    EXPECT_EQ(clock.say("grant 16000000"), "done 16000000 next=-");
    EXPECT_TRUE(std::filesystem::is_symlink(ports.port("other")));
    EXPECT_EQ(clock.say("grant 17000000 src=400"), "done 17000000 next=-") << "a client that has not noticed";
    EXPECT_EQ(clock.say("grant 18000000 other=400"), "done 18000000 next=-") << "and one that has not opened it yet";
    EXPECT_TRUE(clock.say("grant 19000000 neither=0").starts_with("error: \"neither=0\" is no port"));
}

TEST(VirtualClock, bytes_of_a_port_that_was_closed_in_the_middle_are_not_waited_for) {
    const VirtualPorts ports{bench_with(source_at_it)};
    Clock clock{ports};
    EXPECT_EQ(clock.say("grant 0"), "done 0 next=-");
    const int port = ::open(ports.port("src").c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
    ASSERT_EQ(::write(port, "OUTP", 4), 4);
    ::close(port);
    EXPECT_TRUE(clock.say("grant 1000000 src=6").starts_with("done 1000000"));
}

TEST(VirtualClock, time_goes_until_something_has_come) {
    const VirtualPorts ports{bench_with(source_at_it)};
    Clock clock{ports};
    EXPECT_EQ(clock.say("grant 0"), "done 0 next=-");
    const int port = ::open(ports.port("src").c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
    EXPECT_EQ(clock.say("go 0 0 src=0"), "done 0 next=-") << "it was opened anew";
    EXPECT_EQ(clock.say("go 0 2000000"), "done 2000000 next=-") << "nobody was asked";
    ASSERT_EQ(::write(port, "*IDN?\n", 6), 6);
    // 6 bytes there and 43 back at 115200 baud, ten bits each, and 5 ms to think: 9.254 ms, to the end of the
    // millisecond.
    EXPECT_EQ(clock.say("go 2500000 9000000 src=6"), "done 2510000 next=- src=43");
    EXPECT_EQ(clock.say("go 2510000 2600000"), "done 2600000 next=-") << "what was told is not told again";
    ASSERT_EQ(::write(port, "OUTP?\n", 6), 6);
    const std::string early = clock.say("go 2600000 2603000 src=12");
    EXPECT_TRUE(early.starts_with("done 2603000 next=260")) << early << ": it is still thinking";
    EXPECT_EQ(clock.say("go 2603000 2700000"), "done 2606000 next=- src=45");
    EXPECT_TRUE(clock.say("go 2605999 2700000").starts_with("error: it is 2606000 already"));
    ::close(port);
}

TEST(VirtualClock, a_port_that_goes_is_told_once) {
    const VirtualPorts ports{bench_with(
        source_at_it + "[[fault]]\ninstrument = \"src\"\nkind = \"unplugged\"\nafter = \"10 s\"\nfor = \"5 s\"\n")};
    Clock clock{ports};
    EXPECT_EQ(clock.say("grant 0"), "done 0 next=-");
    const int port = ::open(ports.port("src").c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
    EXPECT_EQ(clock.say("go 0 12000000"), "done 12000000 next=- src=gone");
    EXPECT_EQ(clock.say("go 12000000 13000000"), "done 13000000 next=-");
    ::close(port);
}

TEST(VirtualClock, time_may_stand_still_until_a_client_has_come) {
    const auto time_at_first = [] {
        const VirtualPorts ports{bench_with(source_at_it), {"--await-clock"}};
        const int port = ::open(ports.port("src").c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
        Clock clock{ports};
        EXPECT_EQ(clock.say("grant 0"), "done 0 next=-");
        EXPECT_EQ(clock.say("go 0 0 src=0"), "done 0 next=-");
        EXPECT_EQ(::write(port, "MEAS:VOLT?\n", 11), 11);
        (void)clock.say("go 0 1000000 src=11");
        std::array<char, 64> bytes{};
        const ssize_t count = ::read(port, bytes.data(), bytes.size());
        ::close(port);
        return std::string(bytes.data(), count > 0 ? static_cast<std::size_t>(count) : 0);
    };
    const std::string once = time_at_first();
    EXPECT_TRUE(once.ends_with("\n")) << once;
    EXPECT_EQ(once, time_at_first()) << "its noise too is as far on as it was";
}

TEST(VirtualClock, what_is_no_grant_is_refused_with_a_sentence) {
    const VirtualPorts ports{bench_with(source_at_it)};
    Clock clock{ports};
    for (const char* line :
         {"", "grant", "grant x", "grant -1", "grant 1.5", "grant 1e30", "done 5", "go", "go 5", "go 5 x", "go 5 4"}) {
        EXPECT_EQ(clock.say(line),
                  "error: a line is \"grant MICROSECONDS [NAME=BYTES ...]\", or \"go\" with two times in their order")
            << line;
    }
    for (const char* line : {"grant 1 src", "grant 1 src=", "grant 1 src=x", "grant 1 nobody=1", "grant 1 =3"}) {
        EXPECT_TRUE(clock.say(line).starts_with("error: \"")) << line;
    }
    Clock second{ports};
    EXPECT_EQ(second.hear(), "error: as many are connected as may be at a time");
    EXPECT_TRUE(clock.say("grant 1").starts_with("done 1 next=-"));
}

}  // namespace
}  // namespace slowfilm::clients
