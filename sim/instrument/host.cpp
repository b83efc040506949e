#include "sim/instrument/host.hpp"

#include "daemon/core/decimal.hpp"
#include "daemon/core/text.hpp"
#include "sim/instrument/console.hpp"

#include <algorithm>
#include <array>
#include <csignal>
#include <filesystem>
#include <string_view>
#include <system_error>
#include <utility>

#include <poll.h>
#include <sys/signalfd.h>
#include <time.h>

namespace slowfilm::sim::instrument {

namespace {

constexpr std::int64_t longest_wait = 1'000'000;  // us: the cells go on at least this often
constexpr std::int64_t look_again = 20'000;       // us: for a port that nobody has open
constexpr std::size_t consoles = 8;

Descriptor watch_signals() {
    sigset_t ends{};
    ::sigemptyset(&ends);
    ::sigaddset(&ends, SIGINT);
    ::sigaddset(&ends, SIGTERM);
    ::pthread_sigmask(SIG_BLOCK, &ends, nullptr);
    return Descriptor{::signalfd(-1, &ends, SFD_CLOEXEC | SFD_NONBLOCK)};
}

// A whole number of at most 2^62; nothing for anything else.
std::optional<std::int64_t> whole(std::string_view text) {
    const auto decimal = text.empty() ? tl::unexpected{std::string{}} : read_decimal(text);
    const auto count =
        decimal && decimal->rest.empty() ? whole_count(*decimal, 1, INT64_MAX / 2) : tl::unexpected{Inexact::too_large};
    return count && *count >= 0 ? std::optional{*count} : std::nullopt;
}

std::vector<std::string_view> words_of(std::string_view line) {
    std::vector<std::string_view> words;
    while (!line.empty()) {
        const std::size_t end = std::min(line.find_first_of(" \r"), line.size());
        if (end > 0) {
            words.push_back(line.substr(0, end));
        }
        line.remove_prefix(std::min(end + 1, line.size()));
    }
    return words;
}

}  // namespace

Host::Host(VirtualBench::Parts parts, std::string folder) : bench_(std::move(parts)), folder_(std::move(folder)) {}

Result<Host> Host::open(VirtualBench::Parts parts, std::string folder) {
    std::error_code failed;
    std::filesystem::create_directories(folder, failed);
    if (failed) {
        return fail(Failure::cannot_create, "cannot make the folder " + folder + ": " + failed.message());
    }
    Host host{std::move(parts), std::move(folder)};
    if (auto opened = host.open_all(); !opened) {
        return tl::unexpected(opened.error());
    }
    return host;
}

Result<void> Host::open_all() {
    auto clock = LineServer::listen(folder_ + "/clock", 1);
    auto console = clock ? LineServer::listen(folder_ + "/console", consoles) : tl::unexpected(clock.error());
    if (!console) {
        return tl::unexpected(console.error());
    }
    clock_ = std::move(*clock);
    console_ = std::move(*console);
    for (std::size_t index = 0; index < bench_.lines(); ++index) {
        auto pty = Pty::open(folder_ + "/" + bench_.line(index).name());
        if (!pty) {
            return tl::unexpected(pty.error());
        }
        ports_.push_back({.pty = std::move(*pty), .name = bench_.line(index).name()});
    }
    signals_ = watch_signals();
    return {};
}

std::string Host::ports() const {
    std::string text;
    for (const Port& port : ports_) {
        if (port.pty) {
            text += port.name + " " + folder_ + "/" + port.name + " " + port.pty->device() + "\n";
        }
    }
    return text;
}

// What was unplugged goes, also if it is back already; what was plugged in comes, under the name that it has now.
void Host::follow_plugs() {
    for (std::size_t index = 0; index < ports_.size(); ++index) {
        const Line& line = bench_.line(index);
        Port& port = ports_[index];
        if (port.pty && line.unplugged() != port.unplugged) {
            port.pty.reset();
            port.gone = true;
        }
        if (!port.pty && line.plugged()) {
            port.unplugged = line.unplugged();
            former_names_.insert(port.name);
            port.name = line.name();
            if (auto pty = Pty::open(folder_ + "/" + port.name)) {
                port.pty.emplace(std::move(*pty));
            }
        }
    }
}

// --- Time ------------------------------------------------------------------------------------------------------------

Time Host::machine_time() const {
    timespec now{};
    ::clock_gettime(CLOCK_MONOTONIC, &now);
    return Time{static_cast<std::int64_t>(now.tv_sec) * 1'000'000 + now.tv_nsec / 1'000 - machine_origin_};
}

// Without a client that gives the time it is the machine's, from where it was.
void Host::go_on() {
    if (lockstep()) {
        stood_still_ = true;
        return;
    }
    if (std::exchange(stood_still_, false)) {
        machine_origin_ += (machine_time() - bench_.now()).count;
    }
    bench_.run_to(std::max(bench_.now(), machine_time()));
}

void Host::flush() {
    for (std::size_t index = 0; index < ports_.size(); ++index) {
        const std::string bytes = bench_.take(index);
        if (!bytes.empty() && ports_[index].pty) {
            ports_[index].pty->write(bytes);
        }
    }
}

void Host::take_bytes() {
    constexpr std::size_t at_a_time = 4096;
    for (std::size_t index = 0; index < ports_.size(); ++index) {
        if (ports_[index].pty && ports_[index].pty->look()) {
            bench_.put(index, ports_[index].pty->read(at_a_time));
        }
    }
}

int Host::wait_at_most() {
    std::int64_t wait = longest_wait;
    if (!lockstep()) {
        if (const auto next = bench_.next()) {
            wait = std::clamp((*next - machine_time()).count, std::int64_t{0}, wait);
        }
    }
    for (Port& port : ports_) {
        if (!lockstep() && port.pty && !port.pty->look()) {  // else the client names what it has written
            wait = std::min(wait, look_again);
        }
    }
    return static_cast<int>((wait + 999) / 1'000);
}

void Host::wait() {
    std::vector<pollfd> all{{signals_.get(), POLLIN, 0}};
    for (const LineServer* server : {&clock_, &console_}) {
        for (const int descriptor : server->descriptors()) {
            all.push_back({descriptor, POLLIN, 0});
        }
    }
    const int patience = wait_at_most();
    for (const Port& port : ports_) {
        if (port.pty && port.pty->opened() && !lockstep()) {
            all.push_back({port.pty->descriptor(), POLLIN, 0});
        }
    }
    (void)::poll(all.data(), all.size(), patience);
}

void Host::run() {
    machine_origin_ = 0;
    machine_origin_ = (machine_time() - bench_.now()).count;
    while (true) {
        wait();
        signalfd_siginfo signal{};
        if (::read(signals_.get(), &signal, sizeof signal) > 0) {
            return;
        }
        serve_clock();
        go_on();
        if (!lockstep()) {
            take_bytes();
        }
        serve_console();
        follow_plugs();
        flush();
    }
}

// --- The sockets -----------------------------------------------------------------------------------------------------

void Host::serve_console() {
    console_.serve([this](std::string_view line) { return console(bench_, line); });
}

void Host::serve_clock() {
    clock_.serve([this](std::string_view line) {
        stood_still_ = true;
        awaits_clock_ = false;
        return clock_line(line);
    });
}

// For each port how many bytes the client says it has written to it; UINT64_MAX where it says nothing.
Result<std::vector<std::uint64_t>, std::string> Host::read_ports(std::vector<std::string_view> words) const {
    std::vector<std::uint64_t> named(ports_.size(), UINT64_MAX);
    for (const std::string_view word : words) {
        const std::size_t equals = std::min(word.find('='), word.size());
        const std::optional<std::int64_t> bytes = whole(word.substr(std::min(equals + 1, word.size())));
        const auto port = std::find_if(ports_.begin(), ports_.end(),
                                       [&](const Port& one) { return one.name == word.substr(0, equals); });
        if (bytes && port == ports_.end() && former_names_.contains(word.substr(0, equals))) {
            continue;  // the client has not noticed yet
        }
        if (!bytes || port == ports_.end()) {
            return tl::unexpected("error: \"" + escaped(word, 60) + "\" is no port and the bytes written to it\n");
        }
        named[static_cast<std::size_t>(port - ports_.begin())] = static_cast<std::uint64_t>(*bytes);
    }
    return named;
}

std::string Host::clock_line(std::string_view line) {
    const std::vector<std::string_view> words = words_of(line);
    const bool grant = words.size() > 1 && words[0] == "grant";
    const bool go = words.size() > 2 && words[0] == "go";
    const std::optional<std::int64_t> from = grant || go ? whole(words[1]) : std::nullopt;
    const std::optional<std::int64_t> time = go ? whole(words[2]) : from;
    if (!from || !time || *time < *from) {
        return "error: a line is \"grant MICROSECONDS [NAME=BYTES ...]\", or \"go\" with two times in their order\n";
    }
    const Result<std::vector<std::uint64_t>, std::string> named =
        read_ports({words.begin() + (go ? 3 : 2), words.end()});
    if (!named) {
        return named.error();
    }
    if (std::exchange(clock_client_, clock_.accepted()) != clock_.accepted() ||
        !clock_ahead_) {  // the first says what time it is; nothing passes
        clock_ahead_ = Time{*from} - bench_.now();
        for (Port& port : ports_) {
            port.told = 0;
            port.gone = false;
        }
    }
    const Time begin = Time{*from} - *clock_ahead_;
    if (begin < bench_.now()) {
        return "error: it is " + std::to_string((bench_.now() + *clock_ahead_).count) + " already\n";
    }
    return go ? gone_on(begin, Time{*time} - *clock_ahead_, *named) : granted(begin, *named);
}

// Waits for the bytes that were named; what is wrong where they never come.
std::optional<std::string> Host::take_named(const std::vector<std::uint64_t>& named) {
    for (std::size_t index = 0; index < ports_.size(); ++index) {
        if (named[index] == UINT64_MAX || !ports_[index].pty) {
            continue;
        }
        std::string bytes;
        if (!ports_[index].pty->read_until(named[index], bytes)) {
            return "error: " + ports_[index].name + " never got " + std::to_string(named[index]) + " bytes\n";
        }
        bench_.put(index, bytes);
    }
    return std::nullopt;
}

std::string Host::done_at(Time time) const {
    const std::optional<Time> next = bench_.next();
    return "done " + std::to_string((time + *clock_ahead_).count) +
           " next=" + (next ? std::to_string((*next + *clock_ahead_).count) : "-");
}

std::string Host::granted(Time until, const std::vector<std::uint64_t>& named) {
    if (const std::optional<std::string> wrong = take_named(named)) {
        return *wrong;
    }
    bench_.run_to(until);
    follow_plugs();
    flush();
    std::string line = done_at(until);
    for (const Port& port : ports_) {
        if (port.pty && port.pty->written() > 0) {
            line += " " + port.name + "=" + std::to_string(port.pty->written());
        }
    }
    return line + "\n";
}

// As an adapter hands on what has come: a millisecond's at a time.
void Host::run_while_silent(Time until) {
    constexpr std::int64_t at_a_time = 1'000;  // us
    const auto says = [this] {
        for (std::size_t index = 0; index < bench_.lines(); ++index) {
            const std::optional<Time> sent = bench_.line(index).next_sent();
            if (sent && *sent <= bench_.now()) {
                return true;
            }
        }
        return false;
    };
    while (bench_.now() < until && !says()) {
        const std::optional<Time> next = bench_.next();
        const std::int64_t at = next ? (*next + *clock_ahead_).count : INT64_MAX - at_a_time;
        const std::int64_t whole_step = (at + at_a_time - 1) / at_a_time * at_a_time;
        bench_.run_to(std::clamp(Time{whole_step} - *clock_ahead_, bench_.now() + Duration{1}, until));
    }
}

std::string Host::gone_on(Time from, Time until, const std::vector<std::uint64_t>& named) {
    bench_.run_to(from);
    if (const std::optional<std::string> wrong = take_named(named)) {
        return *wrong;
    }
    run_while_silent(until);
    follow_plugs();
    flush();
    std::string line = done_at(bench_.now());
    for (Port& port : ports_) {
        if (std::exchange(port.gone, false)) {
            line += " " + port.name + "=gone";
            port.told = 0;
        } else if (port.pty && port.pty->written() != port.told) {
            port.told = port.pty->written();
            line += " " + port.name + "=" + std::to_string(port.told);
        }
    }
    return line + "\n";
}

}  // namespace slowfilm::sim::instrument
