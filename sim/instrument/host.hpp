// The virtual bench on a real machine: pseudo-terminals, the clock's and the console's sockets, the machine's clock
// where no client gives the time. config/virtual-bench.md says what goes over the sockets.
#pragma once

#include "daemon/core/result.hpp"
#include "sim/instrument/pty.hpp"
#include "sim/instrument/sockets.hpp"
#include "sim/instrument/virtual_bench.hpp"

#include <cstdint>
#include <functional>
#include <optional>
#include <set>
#include <string>
#include <vector>

namespace slowfilm::sim::instrument {

class Host {
  public:
    // Opens everything in `folder`, which is made if it is not there. What is opened goes when the host goes.
    [[nodiscard]] static Result<Host> open(VirtualBench::Parts parts, std::string folder);

    // Time stands still until a client first gives it, so that whatever it then does is the same in every run.
    void await_clock() { awaits_clock_ = true; }
    // Until SIGINT or SIGTERM comes.
    void run();
    // "src1 /tmp/bench/src1 /dev/pts/3", one line a port.
    [[nodiscard]] std::string ports() const;

  private:
    struct Port {
        std::optional<Pty> pty;
        std::string name;       // the link's
        int unplugged{0};       // as the line counted when the pty was opened
        std::uint64_t told{0};  // bytes written to it that a client with `go` knows of
        bool gone{false};       // unplugged, and that client does not know it yet
    };
    Host(VirtualBench::Parts parts, std::string folder);

    [[nodiscard]] Result<void> open_all();
    void follow_plugs();
    [[nodiscard]] int wait_at_most();
    void wait();
    void go_on();
    void flush();
    void take_bytes();
    void serve_clock();
    void serve_console();
    [[nodiscard]] std::string clock_line(std::string_view line);
    [[nodiscard]] Result<std::vector<std::uint64_t>, std::string> read_ports(std::vector<std::string_view> words) const;
    [[nodiscard]] std::optional<std::string> take_named(const std::vector<std::uint64_t>& named);
    [[nodiscard]] std::string granted(Time until, const std::vector<std::uint64_t>& named);
    [[nodiscard]] std::string gone_on(Time from, Time until, const std::vector<std::uint64_t>& named);
    void run_while_silent(Time until);
    [[nodiscard]] std::string done_at(Time time) const;
    [[nodiscard]] Time machine_time() const;
    [[nodiscard]] bool lockstep() const { return awaits_clock_ || clock_.clients() > 0; }

    VirtualBench bench_;
    std::string folder_;
    std::vector<Port> ports_;
    std::set<std::string, std::less<>> former_names_;  // of ports that came back under another
    LineServer clock_, console_;
    Descriptor signals_;
    std::int64_t machine_origin_{0};  // us: of the machine's clock when the bench's was 0
    bool awaits_clock_{false};
    bool stood_still_{false};              // a client has given the time since the machine's was last looked at
    std::optional<Duration> clock_ahead_;  // of the clock client's time before the bench's, once it has said it
    std::uint64_t clock_client_{0};        // whose that is
};

}  // namespace slowfilm::sim::instrument
