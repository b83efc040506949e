#include "daemon/wire/modbus.hpp"

#include "daemon/core/ensure.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::wire::modbus {

namespace {

constexpr std::size_t single_length = 8;        // unit, function, two words, CRC
constexpr std::size_t exception_length = 5;     // unit, function, code, CRC
constexpr std::size_t read_overhead = 5;        // unit, function, count of bytes, CRC
constexpr std::size_t write_many_overhead = 9;  // unit, function, address, count, count of bytes, CRC
constexpr std::size_t frame_most = 256;
constexpr std::size_t noise_most = 16 * frame_most;  // after so much of it no reply is looked for
constexpr std::uint8_t exception_bit = 0x80;
constexpr std::uint16_t coil_on = 0xFF00;

unsigned byte_at(std::string_view bytes, std::size_t at) {
    return static_cast<unsigned char>(bytes[at]);
}

std::uint16_t word_at(std::string_view bytes, std::size_t at) {
    return static_cast<std::uint16_t>((byte_at(bytes, at) << 8U) | byte_at(bytes, at + 1));
}

void put_byte(std::string& out, unsigned byte) {
    out += static_cast<char>(static_cast<unsigned char>(byte & 0xFFU));
}

void put_word(std::string& out, unsigned word) {
    put_byte(out, word >> 8U);
    put_byte(out, word);
}

std::string with_crc(std::string frame) {
    const unsigned crc = crc16(frame);
    put_byte(frame, crc);
    put_byte(frame, crc >> 8U);
    return frame;
}

// Over a whole frame, CRC and all, the CRC is 0.
bool crc_is_right(std::string_view frame) {
    return crc16(frame) == 0;
}

bool is_read(Function function) {
    switch (function) {
        case Function::read_coils:
        case Function::read_holding:
        case Function::read_input: return true;
        case Function::write_coil:
        case Function::write_register:
        case Function::write_registers: return false;
    }
    return false;
}

std::optional<Function> function_of(unsigned byte) {
    for (const Function function : {Function::read_coils, Function::read_holding, Function::read_input,
                                    Function::write_coil, Function::write_register, Function::write_registers}) {
        if (static_cast<unsigned>(function) == byte) {
            return function;
        }
    }
    return std::nullopt;
}

std::size_t bytes_read(const Request& request) {
    return request.function == Function::read_coils ? (request.count + std::size_t{7}) / 8
                                                    : std::size_t{2} * request.count;
}

std::uint16_t on_wire(Function function, std::uint16_t value) {
    return function == Function::write_coil ? (value != 0 ? coil_on : std::uint16_t{0}) : value;
}

// What may be asked, whatever the unit.
bool well_formed(const Request& request) {
    if (std::size_t{request.address} + request.count > 65'536) {
        return false;
    }
    switch (request.function) {
        case Function::read_coils: return request.count >= 1 && request.count <= 2'000 && request.values.empty();
        case Function::read_holding:
        case Function::read_input: return request.count >= 1 && request.count <= 125 && request.values.empty();
        case Function::write_coil:
        case Function::write_register: return request.count == 1 && request.values.size() == 1;
        case Function::write_registers:
            return request.count >= 1 && request.count <= 123 && request.values.size() == request.count;
    }
    return false;
}

std::vector<std::uint16_t> values_in(const Request& request, std::string_view data) {
    std::vector<std::uint16_t> values;
    values.reserve(request.count);
    for (std::size_t i = 0; i < request.count; ++i) {
        values.push_back(request.function == Function::read_coils
                             ? static_cast<std::uint16_t>((byte_at(data, i / 8) >> (i % 8)) & 1U)
                             : word_at(data, 2 * i));
    }
    return values;
}

}  // namespace

std::uint16_t crc16(std::string_view bytes) {
    unsigned crc = 0xFFFFU;
    for (const char byte : bytes) {
        crc ^= static_cast<unsigned char>(byte);
        for (int bit = 0; bit < 8; ++bit) {
            crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0xA001U : crc >> 1U;
        }
    }
    return static_cast<std::uint16_t>(crc);
}

std::string_view describe(Exception code) {
    switch (code) {
        case Exception::illegal_function: return "the unit does not have this function";
        case Exception::illegal_address: return "the unit has no such register: check address and count";
        case Exception::illegal_value: return "the unit takes no such request: check count and length";
        case Exception::server_failure: return "the unit failed while doing it";
        case Exception::acknowledge: return "the unit needs longer than the reply may wait";
        case Exception::busy: return "the unit is busy: ask again later";
        case Exception::memory_parity: return "the unit's memory has a parity error";
        case Exception::path_unavailable: return "the gateway has no path to the unit";
        case Exception::no_response: return "the unit behind the gateway does not answer";
    }
    return "the unit refuses with a code that the standard does not have";
}

std::string_view describe(Fault fault) {
    switch (fault) {
        case Fault::silent: return "no answer: check power, wiring, unit number and baud rate";
        case Fault::echo_only: return "only our own request came back: the adapter echoes and the unit is silent";
        case Fault::cut: return "the answer stopped half way";
        case Fault::garbled:
            return "bytes came, but no answer of this unit with a right CRC: check baud rate and wiring";
    }
    return "";
}

// --- Requests

bool sendable(const Request& request) {
    return request.unit >= 1 && request.unit <= 247 && well_formed(request);
}

std::string encode(const Request& request) {
    ENSURE(well_formed(request));
    std::string frame;
    put_byte(frame, request.unit);
    put_byte(frame, static_cast<unsigned>(request.function));
    put_word(frame, request.address);
    switch (request.function) {
        case Function::read_coils:
        case Function::read_holding:
        case Function::read_input: put_word(frame, request.count); break;
        case Function::write_coil:
        case Function::write_register: put_word(frame, on_wire(request.function, request.values.front())); break;
        case Function::write_registers:
            put_word(frame, request.count);
            put_byte(frame, 2U * request.count);
            for (const std::uint16_t value : request.values) {
                put_word(frame, value);
            }
            break;
    }
    return with_crc(std::move(frame));
}

std::size_t reply_length(const Request& request) {
    return is_read(request.function) ? read_overhead + bytes_read(request) : single_length;
}

// --- Replies

ReplyReader::ReplyReader(const Request& asked, bool echoes)
    : asked_{asked}, sent_{encode(asked)}, awaits_echo_{echoes} {}

std::optional<Reply> ReplyReader::push(std::string_view bytes) {
    for (const char byte : bytes) {
        if (done_) {
            break;
        }
        bytes_ += byte;
        if (awaits_echo_) {
            awaits_echo_ = !std::string_view{bytes_}.ends_with(sent_);
            begin_ = bytes_.size();
        } else if (std::optional<Reply> reply = look()) {
            done_ = true;
            return reply;
        }
        done_ = bytes_.size() >= noise_most;
    }
    return std::nullopt;
}

// The frame that began first counts: what looks like one inside it is its data.
std::optional<Reply> ReplyReader::look() {
    for (; begin_ < bytes_.size(); ++begin_) {
        const std::string_view rest = std::string_view{bytes_}.substr(begin_);
        if (!could_begin(rest)) {
            continue;
        }
        const bool refused = rest.size() >= 2 && (byte_at(rest, 1) & exception_bit) != 0;
        const std::size_t length = refused ? exception_length : reply_length(asked_);
        if (rest.size() < length) {
            return std::nullopt;
        }
        if (crc_is_right(rest.substr(0, length))) {
            return reply_in(rest);
        }
    }
    return std::nullopt;
}

// Whether the bytes may be the beginning of a reply, as far as they go.
bool ReplyReader::could_begin(std::string_view bytes) const {
    const auto function = static_cast<unsigned>(asked_.function);
    if (byte_at(bytes, 0) != asked_.unit) {
        return false;
    }
    if (bytes.size() < 2 || byte_at(bytes, 1) == (function | exception_bit)) {
        return true;
    }
    if (byte_at(bytes, 1) != function) {
        return false;
    }
    if (is_read(asked_.function)) {
        return bytes.size() < 3 || byte_at(bytes, 2) == bytes_read(asked_);
    }
    const std::size_t repeated = std::min<std::size_t>(bytes.size(), single_length - 2);  // all but the CRC
    return bytes.substr(0, repeated) == std::string_view{sent_}.substr(0, repeated);
}

Reply ReplyReader::reply_in(std::string_view frame) const {
    if ((byte_at(frame, 1) & exception_bit) != 0) {
        return {{}, static_cast<Exception>(byte_at(frame, 2)), begin_};
    }
    return {is_read(asked_.function) ? values_in(asked_, frame.substr(3)) : asked_.values, std::nullopt, begin_};
}

Fault ReplyReader::at_deadline() const {
    if (bytes_.empty()) {
        return Fault::silent;
    }
    if (bytes_ == sent_) {
        return Fault::echo_only;
    }
    return begin_ < bytes_.size() && bytes_.size() < noise_most ? Fault::cut : Fault::garbled;
}

// --- The server

namespace {

// The length of the request that begins the bytes, as far as they tell; 0 where its function is unknown.
std::size_t request_length(std::string_view bytes) {
    if (bytes.size() < 2) {
        return single_length;
    }
    const auto function = function_of(byte_at(bytes, 1));
    if (!function) {
        return 0;
    }
    if (*function != Function::write_registers) {
        return single_length;
    }
    return write_many_overhead + (bytes.size() < 7 ? 0U : byte_at(bytes, 6));
}

// A frame with a right CRC, as a request or as why it is none.
Heard heard_in(std::string_view frame) {
    Heard heard{static_cast<std::uint8_t>(byte_at(frame, 0)), static_cast<std::uint8_t>(byte_at(frame, 1)),
                std::nullopt, Exception::illegal_function};
    const auto function = function_of(heard.function);
    if (!function) {
        return heard;
    }
    heard.refusal = Exception::illegal_value;
    if (frame.size() != request_length(frame)) {
        return heard;
    }
    Request request{heard.unit, *function, word_at(frame, 2), 1, {}};
    const std::uint16_t second = word_at(frame, 4);
    if (is_read(*function)) {
        request.count = second;
    } else if (*function == Function::write_registers) {
        request.count = second;
        for (std::size_t at = 7; at + 3 < frame.size(); at += 2) {
            request.values.push_back(word_at(frame, at));
        }
        if (byte_at(frame, 6) != 2U * second) {
            return heard;
        }
    } else if (*function == Function::write_coil) {
        request.values = {static_cast<std::uint16_t>(second == coil_on ? 1 : 0)};
        if (second != coil_on && second != 0) {
            return heard;
        }
    } else {
        request.values = {second};
    }
    if (well_formed(request)) {
        heard.request = std::move(request);
    } else if (std::size_t{request.address} + request.count > 65'536) {
        heard.refusal = Exception::illegal_address;
    }
    return heard;
}

}  // namespace

std::vector<Heard> RequestReader::push(std::string_view bytes) {
    std::vector<Heard> all;
    for (const char byte : bytes) {
        bytes_ += byte;
        look(all);
        if (begin_ > frame_most) {  // what is longer than a frame is none, and is not remembered
            bytes_.erase(0, begin_ - frame_most);
            begin_ = frame_most;
        }
    }
    return all;
}

// Noise and other units' answers stand before a request; the one that began first counts.
void RequestReader::look(std::vector<Heard>& all) {
    while (begin_ < bytes_.size()) {
        const std::string_view rest = std::string_view{bytes_}.substr(begin_);
        const std::size_t length = request_length(rest);
        if (length > rest.size()) {
            return;
        }
        if (length != 0 && crc_is_right(rest.substr(0, length))) {
            all.push_back(heard_in(rest.substr(0, length)));
            bytes_.erase(0, begin_ + length);
            begin_ = 0;
        } else {
            ++begin_;
        }
    }
}

std::vector<Heard> RequestReader::gap() {
    std::vector<Heard> all;
    if (bytes_.size() >= 4 && bytes_.size() <= frame_most && crc_is_right(bytes_)) {
        all.push_back(heard_in(bytes_));
    }
    while (all.empty() && begin_ < bytes_.size()) {  // what seemed to begin first has not gone on
        ++begin_;
        look(all);
    }
    bytes_.clear();
    begin_ = 0;
    return all;
}

std::string encode_reply(const Request& request, const std::vector<std::uint16_t>& values) {
    std::string frame;
    put_byte(frame, request.unit);
    put_byte(frame, static_cast<unsigned>(request.function));
    if (!is_read(request.function)) {
        ENSURE(well_formed(request));
        put_word(frame, request.address);
        put_word(frame, request.function == Function::write_registers
                            ? request.count
                            : on_wire(request.function, request.values.front()));
        return with_crc(std::move(frame));
    }
    ENSURE(values.size() == request.count);
    put_byte(frame, static_cast<unsigned>(bytes_read(request)));
    if (request.function == Function::read_coils) {
        std::vector<unsigned> packed(bytes_read(request));
        for (std::size_t i = 0; i < values.size(); ++i) {
            packed[i / 8] |= (values[i] != 0 ? 1U : 0U) << (i % 8);
        }
        for (const unsigned byte : packed) {
            put_byte(frame, byte);
        }
    } else {
        for (const std::uint16_t value : values) {
            put_word(frame, value);
        }
    }
    return with_crc(std::move(frame));
}

std::string encode_exception(std::uint8_t unit, std::uint8_t function, Exception code) {
    std::string frame;
    put_byte(frame, unit);
    put_byte(frame, function | exception_bit);
    put_byte(frame, static_cast<unsigned>(code));
    return with_crc(std::move(frame));
}

// --- Times

namespace {

constexpr std::int64_t bits_of_character = 11;
constexpr std::int64_t fastest_with_gaps_by_baud = 19'200;

// Rounded up to a whole microsecond: a gap may be longer, never shorter.
Duration half_characters(std::int64_t halves, std::int64_t baud) {
    ENSURE(baud > 0);
    return {(halves * bits_of_character * 500'000 + baud - 1) / baud};
}

}  // namespace

Duration gap_within_frame(std::int64_t baud) {
    return baud > fastest_with_gaps_by_baud ? Duration{750} : half_characters(3, baud);
}

Duration gap_between_frames(std::int64_t baud) {
    return baud > fastest_with_gaps_by_baud ? Duration{1'750} : half_characters(7, baud);
}

Duration exchange_time(const Request& request, std::int64_t baud) {
    const auto characters = static_cast<std::int64_t>(encode(request).size() + reply_length(request));
    return half_characters(2 * characters, baud) + gap_between_frames(baud) * 2;
}

}  // namespace slowfilm::wire::modbus
