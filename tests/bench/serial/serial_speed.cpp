// 64 serial channels at 10 Hz over pseudo-terminals, and the real daemon: from the last byte of a sample to the order
// that opens the circuit, the daemon's share of a core and its memory; beside them 64 echoing pseudo-terminals at 10
// Hz, and the smallest loop of python3-serial (tests/bench/serial/smallest_loop.py) that asks the same.
//
//   serial_speed FOLDER_OF_PROGRAMS SECONDS
#include "tests/daemon/channel/test_instrument.hpp"

#include <algorithm>
#include <array>
#include <atomic>
#include <charconv>
#include <chrono>
#include <csignal>
#include <cstdio>
#include <deque>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <sstream>
#include <string>
#include <vector>

#include <fcntl.h>
#include <poll.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

namespace slowfilm {
namespace {

namespace fs = std::filesystem;
using Clock = std::chrono::steady_clock;

constexpr std::size_t channels = 64;
constexpr auto period = std::chrono::milliseconds(100);
constexpr std::size_t times_most = 1'000'000;

// What the process with the instruments tells the one that measures.
struct Shared {
    std::atomic<bool> climb{false};  // the cells' voltages, while they charge
    std::atomic<std::size_t> questions{0}, count{0};
    std::array<float, times_most> microseconds{};

    void note(Clock::duration took) {
        const std::size_t at = count.load();
        if (at < times_most) {
            microseconds[at] = std::chrono::duration<float, std::micro>(took).count();
            count.store(at + 1);
        }
    }
};

Shared& shared() {
    static Shared* const made = [] {
        void* const memory = ::mmap(nullptr, sizeof(Shared), PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
        if (memory == MAP_FAILED) {
            std::perror("mmap");
            std::exit(70);
        }
        return new (memory) Shared;
    }();
    return *made;
}

void tell(const std::string& what, std::vector<float> times) {
    if (times.empty()) {
        std::printf("%-44s nothing was measured\n", what.c_str());
        return;
    }
    std::sort(times.begin(), times.end());
    const auto at = [&](double share) {
        return static_cast<double>(times[static_cast<std::size_t>(share * static_cast<double>(times.size() - 1))]);
    };
    std::printf("%-44s p50 %7.0f us   p99 %7.0f us   p99.9 %7.0f us   of %zu\n", what.c_str(), at(0.5), at(0.99),
                at(0.999), times.size());
}

std::vector<float> take_times() {
    Shared& all = shared();
    std::vector<float> times(all.microseconds.begin(),
                             all.microseconds.begin() + static_cast<std::ptrdiff_t>(all.count.load()));
    all.count = 0;
    all.questions = 0;
    return times;
}

std::string port_of(const fs::path& folder, std::size_t i) {
    return (folder / ("port" + std::to_string(i))).string();
}

// A cell whose voltage climbs from reading to reading while current flows, until the charge ends.
struct TimedInstrument {
    explicit TimedInstrument(const std::string& port) : instrument(port, test::source_identity) {
        instrument.instead["MEAS:TEMP?"] = "25.0\n";
        instrument.heard = [this](const std::string& line) { hear(line); };
    }
    void hear(const std::string& line) {
        const Clock::time_point now = Clock::now();
        if (line == "OUTP1 OFF" && instrument.on && past_the_end) {
            shared().note(now - last);
        }
        if (line.starts_with("MEAS1:VOLT?")) {
            climbed = shared().climb && instrument.on && instrument.current() > 0.4 ? climbed + 0.02 : 0.0;
            past_the_end = climbed > 0.09;
        }
        instrument.cell = 3.7 + climbed + 0.03 * instrument.current();  // 30 mohm
        shared().questions += line.find('?') != std::string::npos ? 1 : 0;
        last = now;
    }
    test::TestInstrument instrument;
    double climbed{0.0};
    bool past_the_end{false};
    Clock::time_point last;
};

[[noreturn]] void be_instruments(const fs::path& folder, int ready) {
    std::deque<TimedInstrument> all;
    std::vector<pollfd> waiting;
    std::vector<int> held;  // so that no line hangs up while nobody else has it
    for (std::size_t i = 0; i < channels; ++i) {
        const test::TestInstrument& one = all.emplace_back(port_of(folder, i)).instrument;
        waiting.push_back({one.peer.pty.master(), POLLIN, 0});
        held.push_back(::open(one.peer.pty.device().c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC));
    }
    (void)!::write(ready, "y", 1);
    for (;;) {
        ::poll(waiting.data(), waiting.size(), -1);
        for (std::size_t i = 0; i < channels; ++i) {
            if (waiting[i].revents != 0) {
                all[i].instrument.peer.turn();
            }
        }
    }
}

// Writes a line to each at 10 Hz, one after the other through the period, and times the way there and back.
[[noreturn]] void time_echoes(const fs::path& folder, int ready) {
    std::deque<test::ScriptedPeer> all;
    std::vector<pollfd> waiting;
    std::vector<int> held;
    std::vector<Clock::time_point> sent(channels), next(channels);
    for (std::size_t i = 0; i < channels; ++i) {
        const test::ScriptedPeer& one =
            all.emplace_back(port_of(folder, i), [](const std::string&) { return std::string(); });
        waiting.push_back({one.pty.master(), POLLIN, 0});
        held.push_back(::open(one.pty.device().c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC));
        next[i] = Clock::now() + std::chrono::seconds(1) + i * period / channels;
    }
    (void)!::write(ready, "y", 1);
    for (;;) {
        const Clock::time_point first = *std::min_element(next.begin(), next.end());
        const auto wait = std::chrono::duration_cast<std::chrono::milliseconds>(first - Clock::now());
        ::poll(waiting.data(), waiting.size(), std::max(0, static_cast<int>(wait.count())));
        for (std::size_t i = 0; i < channels; ++i) {
            if (waiting[i].revents != 0) {
                std::array<char, 256> bytes{};
                if (::read(waiting[i].fd, bytes.data(), bytes.size()) > 0) {
                    shared().note(Clock::now() - sent[i]);
                }
            }
            if (Clock::now() >= next[i]) {
                next[i] += period;
                sent[i] = Clock::now();
                (void)!::write(waiting[i].fd, "+3.700000E+00\n", 14);
            }
        }
    }
}

[[noreturn]] void be_echoes(const fs::path& folder, int ready) {
    std::vector<pollfd> waiting;
    for (std::size_t i = 0; i < channels; ++i) {
        const int port = ::open(port_of(folder, i).c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
        termios raw{};
        ::tcgetattr(port, &raw);
        ::cfmakeraw(&raw);
        ::tcsetattr(port, TCSANOW, &raw);
        waiting.push_back({port, POLLIN, 0});
    }
    (void)!::write(ready, "y", 1);
    for (;;) {
        ::poll(waiting.data(), waiting.size(), -1);
        for (const pollfd& one : waiting) {
            std::array<char, 256> bytes{};
            if (const ssize_t got = one.revents != 0 ? ::read(one.fd, bytes.data(), bytes.size()) : 0; got > 0) {
                (void)!::write(one.fd, bytes.data(), static_cast<std::size_t>(got));
            }
        }
    }
}

template <class Live>
pid_t fork_ready(Live live) {
    std::array<int, 2> pipe{};
    if (::pipe(pipe.data()) != 0) {
        std::perror("pipe");
        std::exit(70);
    }
    const pid_t child = ::fork();
    if (child == 0) {
        live(pipe[1]);
    }
    char yes = 0;
    (void)!::read(pipe[0], &yes, 1);
    ::close(pipe[0]);
    ::close(pipe[1]);
    return child;
}

void end(pid_t child, int signal = SIGKILL) {
    ::kill(child, signal);
    ::waitpid(child, nullptr, 0);
}

pid_t spawn(const std::vector<std::string>& words) {
    std::vector<char*> arguments;
    for (const std::string& word : words) {
        arguments.push_back(const_cast<char*>(word.c_str()));
    }
    arguments.push_back(nullptr);
    const pid_t child = ::fork();
    if (child == 0) {
        ::execvp(arguments[0], arguments.data());
        std::perror(arguments[0]);
        ::_exit(70);
    }
    return child;
}

int run(const std::vector<std::string>& words) {
    int status = 0;
    ::waitpid(spawn(words), &status, 0);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 128;
}

// Of a process and its threads: user and system time so far, in seconds.
double cpu_seconds(pid_t process) {
    std::ifstream file("/proc/" + std::to_string(process) + "/stat");
    const std::string text{std::istreambuf_iterator<char>(file), {}};
    std::istringstream rest(text.substr(text.rfind(')') + 2));
    std::vector<std::string> fields{std::istream_iterator<std::string>(rest), {}};
    return (std::stod(fields.at(11)) + std::stod(fields.at(12))) / static_cast<double>(::sysconf(_SC_CLK_TCK));
}

double resident_mib(pid_t process) {
    std::ifstream file("/proc/" + std::to_string(process) + "/status");
    for (std::string line; std::getline(file, line);) {
        if (line.starts_with("VmHWM:")) {
            return std::stod(line.substr(6)) / 1024.0;
        }
    }
    return 0.0;
}

void write_bench(const fs::path& folder) {
    std::ofstream(folder / "source.toml") << test::quick_profile();
    std::ofstream bench(folder / "bench.toml");
    bench << "format = 1\nname = \"sixty-four\"\nledger = \"l.ledger\"\nsocket = \"socket\"\n[limits]\n"
             "voltage_max = \"4.4 V\"\ncurrent_max = \"5 A\"\ntemperature_max = \"60 degC\"\n";
    for (std::size_t i = 0; i < channels; ++i) {
        bench << "[[channel]]\nname = \"b" << i
              << "\"\nkind = \"instrument\"\nperiod = \"100 ms\"\ntemperature_of = \"cell\"\n[channel.instrument]\n"
                 "profile = \"source.toml\"\nport = \"port"
              << i << "\"\nsense = \"four wire\"\nprotection = { voltage = \"4.35 V\", current = \"3.5 A\" }\n";
    }
    std::ofstream(folder / "climb.toml") << R"(format = 1
title = "Charges that end by voltage, again and again"
[cell]
chemistry = "NMC/graphite"
capacity  = "5 Ah"
window    = { min = "2.7 V", max = "4.2 V" }
state     = "formed"
[limits]
voltage_max        = "4.25 V"
current_max        = "3 A"
temperature_max    = "50 degC"
charge_temperature = { min = "10 degC", max = "45 degC" }
[[step]]
do    = "repeat"
times = 500
  [[step.step]]
  do      = "charge"
  rate    = "C/10"
  ends    = { voltage = "3.81 V" }
  at_most = "10 min"
  [[step.step]]
  do   = "rest"
  ends = { time = "300 ms" }
)";
}

// The daemon's seconds of processor time in a second.
double daemon_share(const fs::path& folder, const fs::path& programs, int seconds) {
    write_bench(folder);
    const pid_t daemon = spawn({programs / "slowfilmd", "--bench", folder / "bench.toml"});
    const std::string socket = (folder / "socket").string();
    for (int i = 0; i < 600 && !fs::exists(socket); ++i) {
        ::usleep(50'000);
    }
    ::usleep(5'000'000);
    for (std::size_t i = 0; i < channels; ++i) {
        const std::string number = std::to_string(i);
        if (run({programs / "slowfilm", "start", "--socket", socket, "--channel", "b" + number, "--cell", "C-" + number,
                 "--protocol", folder / "climb.toml", "--output", folder / "started"}) != 0) {
            std::printf("channel b%zu did not start\n", i);
        }
    }
    ::usleep(10'000'000);  // until all of them charge
    (void)take_times();
    const double before = cpu_seconds(daemon);
    const Clock::time_point from = Clock::now();
    ::usleep(static_cast<unsigned>(seconds) * 1'000'000);
    const double wall = std::chrono::duration<double>(Clock::now() - from).count();
    const double share = (cpu_seconds(daemon) - before) / wall;
    std::printf("daemon, all charging: %.1f %% of a core, %.1f MiB resident at most, %.0f questions a second\n",
                share * 100.0, resident_mib(daemon), static_cast<double>(shared().questions.load()) / wall);
    (void)take_times();
    shared().climb = true;
    ::usleep(static_cast<unsigned>(seconds) * 1'000'000);
    tell("from a sample's last answer to open circuit", take_times());
    shared().climb = false;
    end(daemon, SIGTERM);
    return share;
}

double loop_share(const fs::path& folder, int seconds) {
    rusage before{}, after{};
    ::getrusage(RUSAGE_CHILDREN, &before);
    (void)take_times();
    std::vector<std::string> words{"/usr/bin/python3", SLOWFILM_SOURCE_DIR "/tests/bench/serial/smallest_loop.py",
                                   std::to_string(seconds)};
    for (std::size_t i = 0; i < channels; ++i) {
        words.push_back(port_of(folder, i));
    }
    if (run(words) != 0) {
        std::printf("the loop of python3-serial failed; nothing is compared with it\n");
        return 0.0;
    }
    ::getrusage(RUSAGE_CHILDREN, &after);
    const auto whole = [](const timeval& time) {
        return static_cast<double>(time.tv_sec) + 1e-6 * static_cast<double>(time.tv_usec);
    };
    const double spent =
        whole(after.ru_utime) + whole(after.ru_stime) - whole(before.ru_utime) - whole(before.ru_stime);
    std::printf("python3-serial: %.1f %% of a core, %.0f questions a second\n", 100.0 * spent / seconds,
                static_cast<double>(shared().questions.load()) / seconds);
    return spent / seconds;
}

int measure(const fs::path& programs, int seconds) {
    (void)shared();  // before the first fork
    std::string name = (fs::temp_directory_path() / "serial-speed-XXXXXX").string();
    const fs::path folder = ::mkdtemp(name.data());
    const auto fresh = [&](const char* of) {
        fs::create_directory(folder / of);
        return folder / of;
    };
    const fs::path echoing = fresh("echo");
    const pid_t clock = fork_ready([&](int ready) { time_echoes(echoing, ready); });
    const pid_t echoes = fork_ready([&](int ready) { be_echoes(echoing, ready); });
    ::usleep(static_cast<unsigned>(seconds) * 1'000'000);
    tell("there and back over an echoing port", take_times());
    end(echoes);
    end(clock);

    const fs::path driven = fresh("daemon");
    pid_t instruments = fork_ready([&](int ready) { be_instruments(driven, ready); });
    const double daemon = daemon_share(driven, programs, seconds);
    end(instruments);
    const fs::path looped = fresh("loop");
    instruments = fork_ready([&](int ready) { be_instruments(looped, ready); });
    const double loop = loop_share(looped, std::min(seconds, 20));
    end(instruments);
    if (daemon > 0.0) {
        std::printf("the loop takes %.1f times the daemon's processor time\n", loop / daemon);
    }
    fs::remove_all(folder);
    return 0;
}

}  // namespace
}  // namespace slowfilm

int main(int count, char** words) {
    int seconds = 60;
    std::setvbuf(stdout, nullptr, _IOLBF, BUFSIZ);
    const std::string given = count > 2 ? words[2] : "60";
    const auto read = std::from_chars(given.data(), given.data() + given.size(), seconds);
    if (count < 2 || read.ec != std::errc{} || seconds < 1) {
        std::fprintf(stderr, "serial_speed takes the folder of slowfilm and slowfilmd, and how many seconds\n");
        return 64;
    }
    return slowfilm::measure(words[1], seconds);
}
