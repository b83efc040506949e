#include "tests/fault/ioctl_seam.hpp"

#include <cerrno>
#include <cstdarg>

#include <asm/ioctls.h>
#include <sys/syscall.h>
#include <unistd.h>

namespace slowfilm::test {
namespace {

SerialDriver* driver_of_all = nullptr;

int no(int error) {
    errno = error;
    return -1;
}

int kernel(int descriptor, unsigned long request, void* argument) {
    return static_cast<int>(::syscall(SYS_ioctl, descriptor, request, argument));
}

int lines(SerialDriver& driver, unsigned long request, int& argument) {
    if (!driver.modem_lines) {
        return no(ENOTTY);
    }
    if (request == TIOCMGET) {
        argument = driver.lines;
        return 0;
    }
    if (driver.lines_error != 0) {
        return no(driver.lines_error);
    }
    (request == TIOCMBIS ? driver.raised : driver.dropped).push_back(argument);
    driver.lines = request == TIOCMBIS ? driver.lines | argument : driver.lines & ~argument;
    return 0;
}

int latency(SerialDriver& driver, unsigned long request, serial_struct& argument) {
    if (!driver.has_serial) {
        return no(ENOTTY);
    }
    if (request == TIOCGSERIAL) {
        argument = serial_struct{};
        argument.flags = driver.serial_flags;
        return 0;
    }
    if (driver.serial_refused) {
        return no(EPERM);
    }
    driver.serial_flags = argument.flags;
    return 0;
}

int settings(SerialDriver& driver, int descriptor, unsigned long request, termios2& argument) {
    if (request == TCSETS2) {
        if (driver.settings_error != 0) {
            return no(driver.settings_error);
        }
        if (driver.set_as) {
            driver.set_as(argument);
        }
        return kernel(descriptor, request, &argument);
    }
    const int done = kernel(descriptor, request, &argument);
    if (done == 0 && driver.reads_back) {
        driver.reads_back(argument);
    }
    return done;
}

int answer(SerialDriver& driver, int descriptor, unsigned long request, void* argument) {
    switch (request) {
        case TIOCMGET:
        case TIOCMBIS:
        case TIOCMBIC: return lines(driver, request, *static_cast<int*>(argument));
        case TIOCEXCL:
        case TIOCNXCL:
            driver.exclusive = request == TIOCEXCL;
            driver.exclusive_set.push_back(driver.exclusive);
            return 0;
        case TIOCGEXCL: *static_cast<int*>(argument) = driver.exclusive ? 1 : 0; return 0;
        case TIOCGSERIAL:
        case TIOCSSERIAL: return latency(driver, request, *static_cast<serial_struct*>(argument));
        case TCGETS2:
        case TCSETS2: return settings(driver, descriptor, request, *static_cast<termios2*>(argument));
        default: return kernel(descriptor, request, argument);
    }
}

}  // namespace

void set_driver(SerialDriver* driver) {
    driver_of_all = driver;
}

}  // namespace slowfilm::test

// The one that the whole program calls, for the linker finds it before the C library's.
extern "C" int ioctl(int descriptor, unsigned long request, ...) noexcept {
    va_list rest;
    va_start(rest, request);
    void* const argument = va_arg(rest, void*);
    va_end(rest);
    using slowfilm::test::driver_of_all;
    return driver_of_all != nullptr ? slowfilm::test::answer(*driver_of_all, descriptor, request, argument)
                                    : slowfilm::test::kernel(descriptor, request, argument);
}
