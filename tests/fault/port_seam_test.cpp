// What a pseudo-terminal does not carry, at the seam to the kernel: modem lines, exclusive use, the latency timer, and
// settings that a converter does not have. Requests and their meaning: ioctl_tty(2), Linux; the latency flag:
// setserial(8).
#include "daemon/channel/port.hpp"
#include "tests/daemon/channel/pty_peer.hpp"
#include "tests/fault/ioctl_seam.hpp"

#include <cerrno>

#include <gmock/gmock.h>
#include <sys/ioctl.h>

namespace slowfilm::channel {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

class PortSeam : public ::testing::Test {
  protected:
    PortSeam() { test::set_driver(&driver); }
    ~PortSeam() override { test::set_driver(nullptr); }

    [[nodiscard]] Result<Port> open() const { return Port::open(options); }
    std::string refusal(Failure failure) {
        const Result<Port> port = open();
        EXPECT_FALSE(port);
        if (port) {
            return "";
        }
        EXPECT_EQ(static_cast<int>(port.error().failure), static_cast<int>(failure));
        return port.error().message;
    }

    test::Folder folder;
    test::PtyPeer peer{folder.file("port")};
    test::SerialDriver driver;
    PortOptions options{.path = folder.file("port"), .baud = 115'200};
};

TEST_F(PortSeam, a_port_with_modem_lines_is_ours_alone_until_it_is_closed) {
    {
        const Result<Port> port = open();
        ASSERT_TRUE(port) << port.error().message;
        EXPECT_FALSE(port->is_virtual());
        EXPECT_TRUE(driver.exclusive);
    }
    EXPECT_THAT(driver.exclusive_set, ElementsAre(true, false));
}

TEST_F(PortSeam, a_port_that_another_marked_exclusive_is_busy_for_root_too) {
    driver.exclusive = true;
    EXPECT_THAT(refusal(Failure::try_again), HasSubstr("in use by another program"));
    EXPECT_TRUE(driver.exclusive) << "the mark is the other's";
}

TEST_F(PortSeam, dtr_is_not_touched_where_a_board_would_start_anew) {
    const Result<Port> port = open();
    ASSERT_TRUE(port) << port.error().message;
    EXPECT_THAT(driver.raised, IsEmpty());
    EXPECT_THAT(driver.dropped, IsEmpty());
}

TEST_F(PortSeam, dtr_and_no_other_line_is_raised_or_dropped_as_asked) {
    options.dtr = Dtr::high;
    ASSERT_TRUE(open());
    EXPECT_THAT(driver.raised, ElementsAre(TIOCM_DTR));
    EXPECT_THAT(driver.dropped, IsEmpty());
    options.dtr = Dtr::low;
    ASSERT_TRUE(open());
    EXPECT_THAT(driver.dropped, ElementsAre(TIOCM_DTR));
}

TEST_F(PortSeam, dtr_that_cannot_be_set_refuses_the_port) {
    options.dtr = Dtr::low;
    driver.lines_error = EINVAL;
    EXPECT_THAT(refusal(Failure::bad_config), HasSubstr("does not let DTR be set"));
    driver.lines_error = EIO;
    EXPECT_THAT(refusal(Failure::no_input), HasSubstr("DTR"));
}

TEST_F(PortSeam, a_converter_that_holds_short_answers_back_is_asked_not_to) {
    driver.serial_flags = ASYNC_SPD_HI;
    const Result<Port> port = open();
    ASSERT_TRUE(port) << port.error().message;
    EXPECT_TRUE(port->low_latency());
    EXPECT_EQ(driver.serial_flags, static_cast<int>(ASYNC_SPD_HI | ASYNC_LOW_LATENCY)) << "the other flags stay";
}

TEST_F(PortSeam, a_converter_without_a_latency_timer_is_good_and_says_so) {
    driver.serial_refused = true;
    Result<Port> port = open();
    ASSERT_TRUE(port) << port.error().message;
    EXPECT_FALSE(port->low_latency());
    port->close();
    driver.has_serial = false;
    port = open();
    ASSERT_TRUE(port) << port.error().message;
    EXPECT_FALSE(port->low_latency());
}

TEST_F(PortSeam, parity_is_asked_of_the_driver_with_its_check) {
    options.parity = Parity::odd;
    options.stop_bits = StopBits::two;
    termios2 asked{};
    driver.set_as = [&](termios2& settings) { asked = settings; };
    // A converter that has them: what was asked is read back.
    driver.reads_back = [&](termios2& settings) { settings.c_cflag = asked.c_cflag; };
    const Result<Port> port = open();
    ASSERT_TRUE(port) << port.error().message;
    EXPECT_EQ(asked.c_cflag & (PARENB | PARODD | CSTOPB), static_cast<tcflag_t>(PARENB | PARODD | CSTOPB));
    EXPECT_EQ(asked.c_iflag, static_cast<tcflag_t>(INPCK));
}

TEST_F(PortSeam, a_rate_within_two_per_cent_is_taken_and_one_beyond_is_named) {
    driver.reads_back = [](termios2& settings) { settings.c_ispeed = settings.c_ospeed = 117'500; };
    EXPECT_TRUE(open()) << "1.996 %";
    driver.reads_back = [](termios2& settings) { settings.c_ispeed = settings.c_ospeed = 117'647; };
    EXPECT_THAT(refusal(Failure::bad_config), HasSubstr("does not keep 115200 baud (it is at 117647)"));
}

TEST_F(PortSeam, each_setting_that_a_converter_drops_is_named) {
    const auto drops = [&](tcflag_t clear, tcflag_t set) {
        driver.reads_back = [=](termios2& settings) { settings.c_cflag = (settings.c_cflag & ~clear) | set; };
        return refusal(Failure::bad_config);
    };
    EXPECT_THAT(drops(CSIZE, CS7), HasSubstr("8 data bits"));
    EXPECT_THAT(drops(0, PARENB), HasSubstr("this parity"));
    EXPECT_THAT(drops(0, CSTOPB), HasSubstr("stop bits"));
    EXPECT_THAT(drops(0, CRTSCTS), HasSubstr("raw mode")) << "flow control that nobody asked for";
}

TEST_F(PortSeam, a_driver_that_refuses_the_settings_says_why) {
    driver.settings_error = EINVAL;
    EXPECT_THAT(refusal(Failure::bad_config), HasSubstr("does not take its settings: Invalid argument"));
    driver.settings_error = EIO;
    EXPECT_THAT(refusal(Failure::no_input), HasSubstr("Input/output error")) << "gone while it was opened";
}

}  // namespace
}  // namespace slowfilm::channel
