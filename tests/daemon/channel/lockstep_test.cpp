// The client of a virtual bench's clock against another side that says whatever it likes.
#include "daemon/channel/lockstep.hpp"

#include "tests/daemon/channel/test_instrument.hpp"

#include <array>
#include <cstring>
#include <memory>
#include <string>
#include <thread>
#include <utility>
#include <vector>

#include <gmock/gmock.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

namespace slowfilm::channel {
namespace {

using namespace literals;
using testing::ElementsAre;
using testing::HasSubstr;

// Answers each line it hears with the next of its answers, and closes the socket after the last.
class OtherSide {
  public:
    OtherSide(const std::string& folder, std::vector<std::string> answers) : answers_(std::move(answers)) {
        listener_ = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        const std::string path = folder + "/clock";
        std::memcpy(address.sun_path, path.data(), path.size());
        EXPECT_EQ(::bind(listener_, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
        EXPECT_EQ(::listen(listener_, 1), 0);
        thread_ = std::thread([this] { serve(); });
    }
    ~OtherSide() {
        ::shutdown(listener_, SHUT_RDWR);
        thread_.join();
        ::close(listener_);
    }
    OtherSide(const OtherSide&) = delete;
    OtherSide& operator=(const OtherSide&) = delete;

    // Once it has ended.
    std::vector<std::string> heard() {
        ::shutdown(listener_, SHUT_RDWR);
        thread_.join();
        thread_ = std::thread([] {});
        return heard_;
    }

  private:
    void serve() {
        const int client = ::accept4(listener_, nullptr, nullptr, SOCK_CLOEXEC);
        std::string line;
        for (std::size_t next = 0; next < answers_.size();) {
            std::array<char, 256> bytes{};
            const ssize_t count = ::recv(client, bytes.data(), bytes.size(), 0);
            if (count <= 0) {
                break;
            }
            line.append(bytes.data(), static_cast<std::size_t>(count));
            if (line.back() == '\n') {
                heard_.push_back(std::exchange(line, {}));
                const std::string answer = answers_[next++] + "\n";
                EXPECT_EQ(::send(client, answer.data(), answer.size(), MSG_NOSIGNAL),
                          static_cast<ssize_t>(answer.size()));
            }
        }
        ::close(client);
    }

    std::vector<std::string> answers_, heard_;
    int listener_{-1};
    std::thread thread_;
};

// A port that is not there, so that the other side is asked at every step.
class Unplugged {
  public:
    explicit Unplugged(Lockstep& lockstep)
        : link_(io_, lockstep.timing(), {.port = {.path = "/nowhere/src"}, .driven = true}) {
        lockstep.join(link_);
    }

  private:
    boost::asio::io_context io_;
    Link link_;
};

TEST(Lockstep, a_folder_without_a_clock_is_refused) {
    const test::Folder folder;
    const auto connected = Lockstep::connect(folder.file("nothing"));
    ASSERT_FALSE(connected);
    EXPECT_EQ(connected.error().failure, Failure::no_input);
    EXPECT_THAT(connected.error().message, HasSubstr("no slowfilm-virtual serves a clock at"));
}

TEST(Lockstep, who_does_not_give_the_clock_is_quoted) {
    for (const char* answer : {"error: as many are connected as may be at a time", "", "done", "done x next=-",
                               "done 0", "done 0 next=", "done 0 next=- src", "done 0 next=- src=x"}) {
        const test::Folder folder;
        const OtherSide other(folder.file(""), {answer});
        const auto connected = Lockstep::connect(folder.file(""));
        ASSERT_FALSE(connected) << answer;
        EXPECT_EQ(connected.error().failure, Failure::try_again);
        EXPECT_THAT(connected.error().message, HasSubstr(answer));
    }
}

TEST(Lockstep, nobody_is_asked_while_nothing_can_come) {
    const test::Folder folder;
    OtherSide other(folder.file(""), {"done 0 next=-", "never asked"});
    {
        const auto lockstep = Lockstep::connect(folder.file(""));
        ASSERT_TRUE(lockstep) << lockstep.error().message;
        EXPECT_EQ((*lockstep)->pass(5_s), 5_s);
    }
    EXPECT_THAT(other.heard(), ElementsAre("grant 0\n"));
}

TEST(Lockstep, it_goes_as_far_as_the_other_side_has_come) {
    const test::Folder folder;
    OtherSide other(folder.file(""), {"done 0 next=-", "done 1000 next=7000", "done 7000 next=-"});
    {
        const auto lockstep = Lockstep::connect(folder.file(""));
        ASSERT_TRUE(lockstep) << lockstep.error().message;
        const Unplugged port(**lockstep);
        EXPECT_EQ((*lockstep)->pass(5_ms), 1_ms);
        (*lockstep)->timing().set(Time{1'000});
        (*lockstep)->deliver();
        EXPECT_EQ((*lockstep)->pass(10_ms), 6_ms);
    }
    EXPECT_THAT(other.heard(), ElementsAre("grant 0\n", "go 0 5000\n", "go 1000 11000\n"));
}

TEST(Lockstep, an_answer_that_is_none_loses_the_clock_and_is_told_once) {
    for (const char* answer : {"error: it is 5 already", "done", "done 5001 next=-", "done -1 next=-", "done 1 next=x",
                               "done 1 next=- =", "done 99999999999999999999 next=-", "gone 1 next=-"}) {
        const test::Folder folder;
        const OtherSide other(folder.file(""), {"done 0 next=-", answer});
        const auto lockstep = Lockstep::connect(folder.file(""));
        ASSERT_TRUE(lockstep) << lockstep.error().message;
        const Unplugged port(**lockstep);
        std::vector<std::string> told;
        (*lockstep)->on_lost([&told](const std::string& why) { told.push_back(why); });
        EXPECT_EQ((*lockstep)->pass(5_ms), 0_ms) << answer << ": nothing has passed that the other side knows of";
        (*lockstep)->deliver();
        EXPECT_THAT(told, ElementsAre(HasSubstr(answer)));
        EXPECT_EQ((*lockstep)->pass(5_ms), 5_ms) << "from here on it goes by itself";
        (*lockstep)->deliver();
        EXPECT_EQ(told.size(), 1U);
    }
}

TEST(Lockstep, one_that_dies_loses_the_clock) {
    const test::Folder folder;
    const OtherSide other(folder.file(""), {"done 0 next=-"});
    const auto lockstep = Lockstep::connect(folder.file(""));
    ASSERT_TRUE(lockstep) << lockstep.error().message;
    const Unplugged port(**lockstep);
    std::vector<std::string> told;
    (*lockstep)->on_lost([&told](const std::string& why) { told.push_back(why); });
    EXPECT_EQ((*lockstep)->pass(5_ms), 0_ms);
    (*lockstep)->deliver();
    EXPECT_THAT(told, ElementsAre("it is gone"));
}

}  // namespace
}  // namespace slowfilm::channel
