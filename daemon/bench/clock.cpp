#include "daemon/bench/clock.hpp"

#include "daemon/core/ensure.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <string_view>

#include <fcntl.h>
#include <time.h>
#include <unistd.h>

namespace slowfilm::bench {
namespace {

std::int64_t read_clock(clockid_t id) {
    timespec at{};
    ENSURE(::clock_gettime(id, &at) == 0);
    return static_cast<std::int64_t>(at.tv_sec) * 1'000'000 + at.tv_nsec / 1'000;
}

}  // namespace

Time MachineClock::now() const {
    return Time{read_clock(CLOCK_BOOTTIME)} + ahead_;
}

Time MachineClock::steady() const {
    return {read_clock(CLOCK_MONOTONIC)};
}

Duration MachineClock::slept() const {
    return {read_clock(CLOCK_BOOTTIME) - read_clock(CLOCK_MONOTONIC)};
}

std::int64_t MachineClock::utc() const {
    return machine_utc();
}

void MachineClock::go_on_from(Time earliest, std::int64_t) {
    const Time here = now();
    if (here < earliest) {
        ahead_ += earliest - here;
    }
}

VirtualClock::VirtualClock(std::int64_t utc_at_zero) : timing_(own_), utc_at_zero_(utc_at_zero) {}

VirtualClock::VirtualClock(std::int64_t utc_at_zero, channel::VirtualTiming& timing)
    : timing_(timing), utc_at_zero_(utc_at_zero) {}

void VirtualClock::go_on_from(Time earliest, std::int64_t utc_earliest) {
    const std::int64_t label = std::max(utc(), utc_earliest);
    ahead_ += std::max(now(), earliest) - now();
    utc_at_zero_ = label - now().count;
}

void VirtualClock::set(Time to) {
    timing_.set(to - ahead_);
}

std::optional<Time> VirtualClock::next_alarm() const {
    const std::optional<Time> next = timing_.next();
    return next ? std::optional(*next + ahead_) : std::nullopt;
}

std::int64_t machine_utc() {
    return read_clock(CLOCK_REALTIME);
}

std::string boot_id() {
    const int file = ::open("/proc/sys/kernel/random/boot_id", O_RDONLY | O_CLOEXEC);
    if (file < 0) {
        return "";
    }
    std::array<char, 64> bytes{};
    const ssize_t count = ::read(file, bytes.data(), bytes.size());
    ::close(file);
    std::string_view text(bytes.data(), count > 0 ? static_cast<std::size_t>(count) : 0);
    while (!text.empty() && text.back() == '\n') {
        text.remove_suffix(1);
    }
    return std::string(text);
}

}  // namespace slowfilm::bench
