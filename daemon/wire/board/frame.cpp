#include "daemon/wire/board/frame.hpp"

namespace slowfilm::wire::board {

namespace {

constexpr std::size_t tail = 5;          // '*' and four digits
constexpr std::size_t digits_most = 19;  // of 2^63 - 1

bool is_printable(char c) {
    return c >= ' ' && c <= '~';
}

bool is_digit(char c) {
    return c >= '0' && c <= '9';
}

bool is_letter(char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}

// The value of an upper-case hexadecimal digit, or 16.
unsigned hex_value(char c) {
    if (is_digit(c)) {
        return static_cast<unsigned>(c - '0');
    }
    return c >= 'A' && c <= 'F' ? static_cast<unsigned>(c - 'A' + 10) : 16U;
}

bool same(const char* a, const char* b) {
    while (*a != 0 && *a == *b) {
        ++a;
        ++b;
    }
    return *a == *b;
}

// A text that is walked from its front.
struct Walk {
    const char* at;
    const char* end;

    [[nodiscard]] bool more() const { return at != end; }
    [[nodiscard]] bool take(char c) {
        if (more() && *at == c) {
            ++at;
            return true;
        }
        return false;
    }
    // Letters into `into` with a NUL behind; between 1 and `most`.
    [[nodiscard]] bool take_letters(char* into, std::size_t most) {
        std::size_t size = 0;
        while (more() && is_letter(*at)) {
            if (size == most) {
                into[size] = 0;
                return false;
            }
            into[size++] = *at++;
        }
        into[size] = 0;
        return size > 0;
    }
    // "-" digits, no leading zero, no "-0", within 63 bits.
    [[nodiscard]] bool take_number(std::int64_t& value) {
        const bool negative = take('-');
        const char* const first = at;
        std::uint64_t magnitude = 0;
        while (more() && is_digit(*at)) {
            if (static_cast<std::size_t>(at - first) == digits_most) {
                return false;
            }
            magnitude = magnitude * 10U + static_cast<unsigned>(*at++ - '0');
        }
        const auto digits = static_cast<std::size_t>(at - first);
        constexpr std::uint64_t most = 0x7FFF'FFFF'FFFF'FFFFU;
        const bool zero = digits > 0 && *first == '0';
        if (digits == 0 || magnitude > most || (zero && (digits > 1 || negative))) {
            return false;
        }
        value = negative ? -static_cast<std::int64_t>(magnitude) : static_cast<std::int64_t>(magnitude);
        return true;
    }
};

}  // namespace

std::uint16_t crc16(const char* bytes, std::size_t size) {
    unsigned crc = 0xFFFFU;
    for (std::size_t at = 0; at < size; ++at) {
        crc ^= static_cast<unsigned>(static_cast<unsigned char>(bytes[at])) << 8U;
        for (int bit = 0; bit < 8; ++bit) {
            crc = (crc & 0x8000U) != 0 ? (crc << 1U) ^ 0x1021U : crc << 1U;
        }
        crc &= 0xFFFFU;
    }
    return static_cast<std::uint16_t>(crc);
}

LineAssembler::Got LineAssembler::on_byte(char byte) {
    if (byte == '\n') {
        const Got got = dropping_ ? Got::too_long : judge();
        reset();
        return got;
    }
    if (dropping_) {
        return Got::nothing;
    }
    if (pending_ == line_most - 1) {
        dropping_ = true;
        return Got::nothing;
    }
    bytes_[pending_++] = byte;
    return Got::nothing;
}

LineAssembler::Got LineAssembler::judge() {
    size_ = 0;
    if (pending_ < tail || bytes_[pending_ - tail] != '*') {
        return Got::garbled;
    }
    const std::size_t size = pending_ - tail;
    unsigned said = 0;
    for (std::size_t at = size + 1; at < pending_; ++at) {
        const unsigned digit = hex_value(bytes_[at]);
        if (digit > 15U) {
            return Got::garbled;
        }
        said = said * 16U + digit;
    }
    for (std::size_t at = 0; at < size; ++at) {
        if (!is_printable(bytes_[at])) {
            return Got::garbled;
        }
    }
    if (crc16(bytes_, size) != said) {
        return Got::garbled;
    }
    size_ = size;
    return Got::line;
}

void LineAssembler::reset() {
    pending_ = 0;
    dropping_ = false;
}

bool Record::is(const char* what) const {
    return same(word, what);
}

const Field* Record::find(const char* key) const {
    for (std::size_t at = 0; at < count; ++at) {
        if (same(fields[at].key, key)) {
            return &fields[at];
        }
    }
    return nullptr;
}

bool take_apart(const char* content, std::size_t size, Record& record) {
    record.direction = 0;
    record.word[0] = 0;
    record.count = 0;
    Walk walk{content, content + size};
    if (!walk.more()) {
        return false;
    }
    record.direction = *walk.at++;
    if (record.direction != from_host && record.direction != from_board) {
        return false;
    }
    if (!walk.take_letters(record.word, word_most)) {
        return false;
    }
    while (walk.more()) {
        if (record.count == fields_most) {
            return false;
        }
        Field field;
        if (!walk.take(' ') || !walk.take_letters(field.key, sizeof field.key - 1) || !walk.take('=')) {
            return false;
        }
        field.failed = walk.take('x');
        if (!field.failed && !walk.take_number(field.value)) {
            return false;
        }
        if ((walk.more() && *walk.at != ' ') || record.find(field.key) != nullptr) {
            return false;
        }
        record.fields[record.count++] = field;
    }
    return true;
}

LineWriter::LineWriter(char direction, const char* word) {
    put(direction);
    put(word);
}

LineWriter& LineWriter::add(const char* key, std::int64_t value) {
    put(' ');
    put(key);
    put('=');
    std::uint64_t rest = static_cast<std::uint64_t>(value);
    if (value < 0) {
        put('-');
        rest = 0U - rest;
    }
    char digits[20];
    std::size_t count = 0;
    do {
        digits[count++] = static_cast<char>('0' + static_cast<char>(rest % 10U));
        rest /= 10U;
    } while (rest != 0);
    while (count > 0) {
        put(digits[--count]);
    }
    return *this;
}

LineWriter& LineWriter::add_failed(const char* key) {
    put(' ');
    put(key);
    put("=x");
    return *this;
}

std::size_t LineWriter::finish() {
    constexpr const char* hex = "0123456789ABCDEF";
    const unsigned crc = crc16(bytes_, size_);
    put('*');
    for (unsigned shift = 16; shift > 0;) {
        shift -= 4;
        put(hex[(crc >> shift) & 0xFU]);
    }
    put('\n');
    return full_ ? 0 : size_;
}

void LineWriter::put(char c) {
    if (size_ == line_most) {
        full_ = true;
        return;
    }
    bytes_[size_++] = c;
}

void LineWriter::put(const char* text) {
    for (; *text != 0; ++text) {
        put(*text);
    }
}

}  // namespace slowfilm::wire::board
