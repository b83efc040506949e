// Modbus over a serial line (RTU): frames of both ends. Registers as values are in modbus_value.hpp.
//
// A frame is told by its expected length and its CRC, not by a gap of 3.5 characters: a USB adapter with a latency
// timer of 16 ms cannot show one. Bytes travel as std::string, whatever they are.
#pragma once

#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::wire::modbus {

// CRC-16/MODBUS; "123456789" gives 0x4B37. On the wire its low byte goes first.
[[nodiscard]] std::uint16_t crc16(std::string_view bytes);

enum class Function : std::uint8_t {
    read_coils = 0x01,
    read_holding = 0x03,
    read_input = 0x04,
    write_coil = 0x05,
    write_register = 0x06,  // its reply is its own request: an echo looks like success. Read back what matters
    write_registers = 0x10,
};

// What a server answers when it cannot. illegal_value means a malformed request, not a set-point out of range.
enum class Exception : std::uint8_t {
    illegal_function = 0x01,
    illegal_address = 0x02,
    illegal_value = 0x03,
    server_failure = 0x04,
    acknowledge = 0x05,
    busy = 0x06,
    memory_parity = 0x08,
    path_unavailable = 0x0A,
    no_response = 0x0B,
};
// A phrase for any code, also one that no standard has.
[[nodiscard]] std::string_view describe(Exception code);

struct Request {
    std::uint8_t unit{1};  // 1..247
    Function function{Function::read_holding};
    std::uint16_t address{0};           // as on the wire: the document's 40001 is 0
    std::uint16_t count{1};             // registers or coils to read; of writes the number of `values`
    std::vector<std::uint16_t> values;  // of writes; a coil is 0 or not
    bool operator==(const Request&) const = default;
};

// Whether a request can be sent: unit 1..247, 1..125 registers read, 1..123 written, 1..2000 coils, address + count at
// most 65536, exactly one value for a single write.
[[nodiscard]] bool sendable(const Request& request);
// The frame of a sendable request (ENSUREd: profiles are checked when they are loaded, with sendable()).
[[nodiscard]] std::string encode(const Request& request);
// How many bytes a normal reply has; what a link waits for.
[[nodiscard]] std::size_t reply_length(const Request& request);

enum class Fault : std::uint8_t {
    silent,     // not one byte
    echo_only,  // our own request came back and nothing else: the adapter echoes, or the unit is off
    cut,        // the beginning of a right reply
    garbled,    // bytes, but no frame with a right CRC from this unit for this question
};
[[nodiscard]] std::string_view describe(Fault fault);

struct Reply {
    std::vector<std::uint16_t> values;   // of reads; a coil is 0 or 1. Of writes what the unit says it wrote
    std::optional<Exception> exception;  // then there are no values
    std::size_t skipped{0};              // bytes before the frame: an echo, noise, a late reply to another question
    bool operator==(const Reply&) const = default;
};

// Bytes in any pieces to the reply to one question. Made anew for each question, so that a late reply to another one
// is skipped unless it has the same unit, function and length: ask again only after the line was quiet.
class ReplyReader {
  public:
    // `echoes`: the adapter sends back what it is told; then a reply is only looked for after exactly those bytes.
    explicit ReplyReader(const Request& asked, bool echoes = false);
    // The reply, once; bytes after it are dropped.
    [[nodiscard]] std::optional<Reply> push(std::string_view bytes);
    // What to say when the deadline has passed without a reply.
    [[nodiscard]] Fault at_deadline() const;

  private:
    [[nodiscard]] bool could_begin(std::string_view bytes) const;
    [[nodiscard]] std::optional<Reply> look();
    [[nodiscard]] Reply reply_in(std::string_view frame) const;

    Request asked_;
    std::string sent_;
    std::string bytes_;
    std::size_t begin_{0};  // no reply begins before this
    bool awaits_echo_;
    bool done_{false};
};

// --- The server's side

// A request as a server hears it. `function` may be any byte; then only `unit` is known besides.
struct Heard {
    std::uint8_t unit{0};  // 0: broadcast, never answered
    std::uint8_t function{0};
    std::optional<Request> request;                  // nothing where the function is unknown or the request malformed
    Exception refusal{Exception::illegal_function};  // what to answer then
};

// Bytes in any pieces to requests, of whatever unit. A server knows where a frame it does not understand ends only by
// the silence after it: gap() is called when nothing came for t3.5.
class RequestReader {
  public:
    [[nodiscard]] std::vector<Heard> push(std::string_view bytes);
    [[nodiscard]] std::vector<Heard> gap();

  private:
    void look(std::vector<Heard>& all);

    std::string bytes_;
    std::size_t begin_{0};  // no request begins before this
};

// `values` are what was read (request.count of them), or ignored for writes.
[[nodiscard]] std::string encode_reply(const Request& request, const std::vector<std::uint16_t>& values);
[[nodiscard]] std::string encode_exception(std::uint8_t unit, std::uint8_t function, Exception code);

// --- Times

// Of a character of 11 bits: 1.5 and 3.5 characters; above 19200 baud fixed at 750 us and 1750 us (MODBUS over serial
// line V1.02, 2.5.1.1). baud > 0.
[[nodiscard]] Duration gap_within_frame(std::int64_t baud);
[[nodiscard]] Duration gap_between_frames(std::int64_t baud);
// How long a question and its normal reply are on the wire, with the gap before each.
[[nodiscard]] Duration exchange_time(const Request& request, std::int64_t baud);

}  // namespace slowfilm::wire::modbus
