// A port over a real pseudo-terminal. What such a terminal does not carry (modem lines, latency, parity) is
// tested in tests/fault. Flags and their meaning: termios(3), ioctl_tty(2), Linux.
#include "daemon/channel/port.hpp"

#include "tests/daemon/channel/pty_peer.hpp"

#include <cerrno>

#include <poll.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <termios.h>

namespace slowfilm::channel {
namespace {

using test::Folder;
using test::PtyPeer;
using ::testing::HasSubstr;

std::string read_all(int descriptor, std::size_t count) {
    std::string all;
    while (all.size() < count) {
        pollfd wait{descriptor, POLLIN, 0};
        if (::poll(&wait, 1, 10'000) != 1) {
            return all;
        }
        char bytes[512];
        const ssize_t got = ::read(descriptor, bytes, sizeof bytes);
        if (got <= 0) {
            return all;
        }
        all.append(bytes, static_cast<std::size_t>(got));
    }
    return all;
}

std::size_t descriptors_open() {
    std::size_t count = 0;
    for ([[maybe_unused]] const auto& one : std::filesystem::directory_iterator("/proc/self/fd")) {
        ++count;
    }
    return count;
}

class PortTest : public ::testing::Test {
  protected:
    Folder folder_;
    PtyPeer peer_{folder_.file("instrument")};
    PortOptions options_{.path = peer_.path()};
};

TEST_F(PortTest, all_256_byte_values_cross_both_ways_unchanged) {
    const Result<Port> port = Port::open(options_);
    ASSERT_TRUE(port) << port.error().message;
    std::string bytes;
    for (int i = 0; i < 256; ++i) {
        bytes += static_cast<char>(i);
    }
    peer_.say(bytes);
    EXPECT_EQ(read_all(port->descriptor(), 256), bytes);
    ASSERT_EQ(::write(port->descriptor(), bytes.data(), bytes.size()), 256);
    EXPECT_EQ(read_all(peer_.master(), 256), bytes);
}

TEST_F(PortTest, every_flag_is_set_whatever_the_last_user_left) {
    const int other = ::open(peer_.path().c_str(), O_RDWR | O_NOCTTY);
    termios left{};
    ASSERT_EQ(::tcgetattr(other, &left), 0);
    left.c_iflag |= IXON | IXOFF | IXANY | ICRNL | ISTRIP | INLCR | IGNCR | PARMRK | IGNBRK | BRKINT | IGNPAR;
    left.c_oflag |= OPOST | ONLCR;
    left.c_lflag |= ECHO | ICANON | ISIG | IEXTEN | ECHONL | TOSTOP;
    left.c_cflag |= HUPCL | CSTOPB | CRTSCTS;
    left.c_cflag &= ~static_cast<tcflag_t>(CLOCAL);
    left.c_cc[VMIN] = 0;
    left.c_cc[VTIME] = 7;
    ASSERT_EQ(::tcsetattr(other, TCSANOW, &left), 0);

    const Result<Port> port = Port::open(options_);
    ASSERT_TRUE(port) << port.error().message;
    termios now{};
    ASSERT_EQ(::tcgetattr(port->descriptor(), &now), 0);
    EXPECT_EQ(now.c_iflag, 0U);
    EXPECT_EQ(now.c_oflag, 0U);
    EXPECT_EQ(now.c_lflag, 0U);
    EXPECT_EQ(now.c_cflag & (CSIZE | PARENB | CSTOPB | CRTSCTS | HUPCL), static_cast<tcflag_t>(CS8));
    EXPECT_EQ(now.c_cflag & (CREAD | CLOCAL), static_cast<tcflag_t>(CREAD | CLOCAL));
    EXPECT_EQ(now.c_cc[VMIN], 1);
    EXPECT_EQ(now.c_cc[VTIME], 0);
    EXPECT_TRUE(port->still_as_set());
    ::close(other);
}

TEST_F(PortTest, is_closed_in_children_and_never_blocks) {
    const Result<Port> port = Port::open(options_);
    ASSERT_TRUE(port);
    EXPECT_EQ(::fcntl(port->descriptor(), F_GETFD) & FD_CLOEXEC, FD_CLOEXEC);
    EXPECT_EQ(::fcntl(port->descriptor(), F_GETFL) & O_NONBLOCK, O_NONBLOCK);
}

TEST_F(PortTest, a_rate_out_of_the_list_is_taken_where_the_driver_takes_it) {
    options_.baud = 250'000;
    const Result<Port> port = Port::open(options_);
    EXPECT_TRUE(port) << port.error().message;
}

TEST_F(PortTest, settings_the_port_does_not_take_are_named) {
    // A pseudo-terminal keeps eight bits and no parity whatever it is told.
    options_.data_bits = 7;
    const Result<Port> seven = Port::open(options_);
    ASSERT_FALSE(seven);
    EXPECT_EQ(seven.error().failure, Failure::bad_config);
    EXPECT_THAT(seven.error().message, HasSubstr("does not keep 7 data bits"));
    options_.data_bits = 8;
    options_.parity = Parity::even;
    const Result<Port> even = Port::open(options_);
    ASSERT_FALSE(even);
    EXPECT_THAT(even.error().message, HasSubstr("does not keep this parity"));
    options_.parity = Parity::none;
    options_.baud = 0;
    EXPECT_FALSE(Port::open(options_));
}

TEST_F(PortTest, a_second_owner_is_refused_with_what_to_do) {
    const Result<Port> first = Port::open(options_);
    ASSERT_TRUE(first);
    const Result<Port> second = Port::open(options_);
    ASSERT_FALSE(second);
    EXPECT_EQ(second.error().failure, Failure::try_again);
    EXPECT_THAT(second.error().message, HasSubstr("in use by another program; end that program"));
    // Neither by another name of the same device.
    options_.path = peer_.device();
    EXPECT_FALSE(Port::open(options_));
}

TEST_F(PortTest, settings_of_a_port_that_is_anothers_are_not_touched) {
    const int other = ::open(peer_.path().c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
    ASSERT_EQ(::flock(other, LOCK_EX | LOCK_NB), 0);
    termios before{};
    ASSERT_EQ(::tcgetattr(other, &before), 0);
    EXPECT_FALSE(Port::open(options_));
    termios after{};
    ASSERT_EQ(::tcgetattr(other, &after), 0);
    EXPECT_EQ(before.c_lflag, after.c_lflag);
    EXPECT_EQ(before.c_iflag, after.c_iflag);
    ::close(other);
    EXPECT_TRUE(Port::open(options_));
}

// ioctl_tty(2): the mark stays on a pseudo-terminal for as long as its master is open. A daemon that was killed would
// shut its successor out.
TEST_F(PortTest, a_pseudo_terminal_is_not_marked_exclusive_beyond_us) {
    {
        const Result<Port> port = Port::open(options_);
        ASSERT_TRUE(port);
        EXPECT_TRUE(port->is_virtual());
        EXPECT_FALSE(port->low_latency());
    }
    const int after = ::open(peer_.path().c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
    int marked = -1;
    ASSERT_EQ(::ioctl(after, TIOCGEXCL, &marked), 0);
    EXPECT_EQ(marked, 0);
    ::close(after);
}

TEST_F(PortTest, somebody_who_changes_the_settings_is_noticed) {
    const Result<Port> port = Port::open(options_);
    ASSERT_TRUE(port);
    EXPECT_TRUE(port->still_as_set());
    termios other{};
    ASSERT_EQ(::tcgetattr(port->descriptor(), &other), 0);
    ::cfsetspeed(&other, B115200);
    ASSERT_EQ(::tcsetattr(port->descriptor(), TCSANOW, &other), 0);
    const Result<void> changed = port->still_as_set();
    ASSERT_FALSE(changed);
    EXPECT_THAT(changed.error().message, HasSubstr("does not keep 9600 baud (it is at 115200)"));
    ::cfsetspeed(&other, B9600);
    other.c_lflag |= ECHO;
    ASSERT_EQ(::tcsetattr(port->descriptor(), TCSANOW, &other), 0);
    EXPECT_THAT(port->still_as_set().error().message, HasSubstr("raw mode"));
}

TEST_F(PortTest, a_port_that_is_gone_says_so) {
    const Result<Port> port = Port::open(options_);
    ASSERT_TRUE(port);
    peer_.unplug();
    const Result<void> gone = port->still_as_set();
    ASSERT_FALSE(gone);
    EXPECT_EQ(gone.error().failure, Failure::cannot_write);
    EXPECT_THAT(gone.error().message, HasSubstr("is gone"));
    const Result<Port> again = Port::open(options_);
    ASSERT_FALSE(again);
    EXPECT_EQ(again.error().failure, Failure::no_input);
    EXPECT_THAT(again.error().message, HasSubstr("is the instrument plugged in"));
}

TEST_F(PortTest, what_is_no_serial_port_is_refused_and_not_waited_for) {
    const std::string fifo = folder_.file("fifo");
    ASSERT_EQ(::mkfifo(fifo.c_str(), 0600), 0);
    for (const std::string& path : {fifo, folder_.file("."), std::string("/dev/null"), std::string("/dev/zero")}) {
        const Result<Port> port = Port::open({.path = path});
        ASSERT_FALSE(port) << path;
        EXPECT_EQ(port.error().failure, Failure::bad_config) << path;
        EXPECT_THAT(port.error().message, HasSubstr("is no serial port"));
    }
    EXPECT_FALSE(Port::open({.path = std::string("a\0b", 3)}));
    EXPECT_FALSE(Port::open({.path = ""}));
}

// In a child that is not root, which may open everything.
Failure opened_by_a_user(const PortOptions& options) {
    const pid_t child = ::fork();
    if (child == 0) {
        if (::geteuid() == 0 && ::setuid(65'534) != 0) {
            ::_exit(255);
        }
        const Result<Port> port = Port::open(options);
        ::_exit(port ? 254 : static_cast<int>(port.error().failure));
    }
    int status = 0;
    EXPECT_EQ(::waitpid(child, &status, 0), child);
    EXPECT_TRUE(WIFEXITED(status) && WEXITSTATUS(status) < 250) << status;
    return static_cast<Failure>(WEXITSTATUS(status));
}

TEST_F(PortTest, a_user_who_may_not_open_it_is_told_so) {
    options_.path = peer_.device();
    ASSERT_EQ(::chmod(options_.path.c_str(), 0), 0);
    EXPECT_EQ(opened_by_a_user(options_), Failure::not_allowed);
}

// ioctl_tty(2), TIOCEXCL: further open() fails with EBUSY, but for a process with CAP_SYS_ADMIN.
TEST_F(PortTest, a_port_that_another_program_marked_exclusive_is_busy) {
    options_.path = peer_.device();
    ASSERT_EQ(::chmod(options_.path.c_str(), 0666), 0);
    const int other = ::open(options_.path.c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
    ASSERT_EQ(::ioctl(other, TIOCEXCL), 0);
    EXPECT_EQ(opened_by_a_user(options_), Failure::try_again);
    ::ioctl(other, TIOCNXCL);
    ::close(other);
}

TEST_F(PortTest, a_thousand_reopenings_leave_no_descriptor_behind) {
    const std::size_t before = descriptors_open();
    options_.data_bits = 7;
    for (int i = 0; i < 500; ++i) {
        EXPECT_FALSE(Port::open(options_));
    }
    options_.data_bits = 8;
    for (int i = 0; i < 500; ++i) {
        Result<Port> port = Port::open(options_);
        ASSERT_TRUE(port);
        Port moved = std::move(*port);
        *port = std::move(moved);
    }
    EXPECT_EQ(descriptors_open(), before);
}

}  // namespace
}  // namespace slowfilm::channel
