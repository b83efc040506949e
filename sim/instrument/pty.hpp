// A pseudo-terminal that stands for a serial port: the master is ours, a link in a folder names the slave.
#pragma once

#include "daemon/core/result.hpp"

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>

namespace slowfilm::sim::instrument {

class Pty {
  public:
    // Raw from the first byte. `link`: where the slave is to be found; a link that is there is replaced, anything else
    // refused.
    [[nodiscard]] static Result<Pty> open(const std::string& link);
    Pty(Pty&& other) noexcept;
    Pty& operator=(Pty&& other) noexcept;
    ~Pty();  // the link goes, whoever has the slave open loses it

    [[nodiscard]] int descriptor() const { return fd_; }
    [[nodiscard]] const std::string& device() const { return device_; }
    // Whether somebody has the slave open; when that is new, the counts begin at 0.
    bool look();
    [[nodiscard]] bool opened() const { return opened_; }
    // At most `most` bytes of what has come; "" when nothing has.
    [[nodiscard]] std::string read(std::size_t most);
    // Until `total` bytes have come since it was opened, or nobody has it open. False when they did not within the
    // wall-clock bound: they were never written.
    [[nodiscard]] bool read_until(std::uint64_t total, std::string& bytes);
    // What nobody takes is lost, as on a wire.
    void write(std::string_view bytes);
    [[nodiscard]] std::uint64_t written() const { return written_; }

  private:
    Pty() = default;
    int fd_{-1};
    std::string device_, link_;
    bool opened_{false};
    std::uint64_t read_{0}, written_{0};          // since it was opened
    std::uint64_t last_total_{0}, last_read_{0};  // at the last read_until()
};

}  // namespace slowfilm::sim::instrument
