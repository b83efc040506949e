// One serial port, opened by its stable name for us alone, raw, and checked: what the driver did not take is an error,
// not a surprise on the wire. A pseudo-terminal is a port without modem lines.
#pragma once

#include "daemon/core/result.hpp"

#include <cstdint>
#include <string>

namespace slowfilm::channel {

enum class Parity : std::uint8_t { none, even, odd };
enum class StopBits : std::uint8_t { one, two };
// What becomes of the line "data terminal ready": boards that start anew when it moves want `keep`.
enum class Dtr : std::uint8_t { keep, high, low };

struct PortOptions {
    std::string path;  // a stable name, such as /dev/serial/by-id/...; never tried under another
    std::uint32_t baud{9600};
    std::uint8_t data_bits{8};  // 7 or 8
    Parity parity{Parity::none};
    StopBits stop_bits{StopBits::one};
    Dtr dtr{Dtr::keep};
    bool operator==(const PortOptions&) const = default;
};

class Port {
  public:
    // no_input: there is no such port (now); not_allowed; try_again: somebody else has it; bad_config: it is no serial
    // port, or does not take these settings. Nothing is written to it, and nothing that was received is thrown away.
    [[nodiscard]] static Result<Port> open(const PortOptions& options);
    Port(Port&& other) noexcept;
    Port& operator=(Port&& other) noexcept;
    Port(const Port&) = delete;
    Port& operator=(const Port&) = delete;
    ~Port();

    void close();
    // -1 once it is closed.
    [[nodiscard]] int descriptor() const { return descriptor_; }
    // The settings read again: somebody may have changed them under us. cannot_write: the port is gone.
    [[nodiscard]] Result<void> still_as_set() const;
    // No modem lines: a pseudo-terminal, or a converter that has none.
    [[nodiscard]] bool is_virtual() const { return is_virtual_; }
    // The driver hands on small answers at once.
    [[nodiscard]] bool low_latency() const { return low_latency_; }
    [[nodiscard]] const PortOptions& options() const { return options_; }

  private:
    Port(PortOptions options, int descriptor) : options_(std::move(options)), descriptor_(descriptor) {}
    [[nodiscard]] Result<void> take_alone();
    [[nodiscard]] Result<void> set();
    [[nodiscard]] Result<void> set_dtr();
    void hurry_answers();

    PortOptions options_;
    int descriptor_{-1};
    bool is_virtual_{false};
    bool low_latency_{false};
    bool exclusive_{false};
};

}  // namespace slowfilm::channel
