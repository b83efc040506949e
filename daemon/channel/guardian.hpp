// The process that switches outputs off when the daemon dies, whatever it dies of. It is forked before the first
// thread, is handed each port's descriptor with the bytes that mean off, and writes them when the daemon's end of their
// socket closes. It never reads a port, allocates nothing worth mentioning while it waits, and outlives Ctrl-C.
//
// It cannot help where the machine stops, where it is killed itself, or where the instrument does not listen: what is
// outside the software is for that.
#pragma once

#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"

#include <cstdint>
#include <string>
#include <vector>

#include <sys/types.h>

namespace slowfilm::channel {

// What is written to a port, in order. A line that was cut short by the death is ended first.
struct OffFrames {
    std::string line_end;             // "" where frames need none
    std::vector<std::string> frames;  // at most 16, 2 KiB together
    Duration pause;                   // between two, once what was written has left
};

// bad_config: more than a guardian can keep of one port.
[[nodiscard]] Result<void> can_keep(const OffFrames& frames);

class Guardian {
  public:
    // internal: no process could be made. Must come before any thread.
    [[nodiscard]] static Result<Guardian> start();
    Guardian(Guardian&& other) noexcept;
    Guardian& operator=(Guardian&& other) noexcept;
    Guardian(const Guardian&) = delete;
    Guardian& operator=(const Guardian&) = delete;
    // Without release() it is as if the daemon had died: the frames are written.
    ~Guardian();

    // From now on these frames are for that port, by the caller's number; what was kept of it before is dropped.
    // internal: the guardian is gone, or the frames are too long.
    [[nodiscard]] Result<void> keep(std::uint32_t port, int descriptor, const OffFrames& frames);
    // The port is closed, so the guardian must let go of it: an adapter whose old name is held comes back under
    // another.
    void forget(std::uint32_t port);
    // Every output has been seen open: it ends without writing. Waits for its end.
    void release();

    // False once it has gone: nothing may be energised then.
    [[nodiscard]] bool alive() const;
    [[nodiscard]] pid_t process() const { return process_; }

  private:
    Guardian(int socket, pid_t process) : socket_(socket), process_(process) {}
    void let_go();

    int socket_{-1};
    pid_t process_{-1};
};

}  // namespace slowfilm::channel
