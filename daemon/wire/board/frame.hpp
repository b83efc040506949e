// Lines of the channel-board link (config/board-link.md), for both its ends: framing, CRC, fields. Freestanding: only
// <cstddef> and <cstdint>, no heap, no library call, so that it goes into a microcontroller as it stands.
#pragma once

#include <cstddef>
#include <cstdint>

namespace slowfilm::wire::board {

// With '*', CRC and LF.
inline constexpr std::size_t line_most = 512;
inline constexpr char from_host = '>';
inline constexpr char from_board = '<';

// CRC-16/IBM-3740; "123456789" gives 0x29B1.
[[nodiscard]] std::uint16_t crc16(const char* bytes, std::size_t size);

// Bytes to lines, one at a time, in a buffer of its own.
class LineAssembler {
  public:
    enum class Got : std::uint8_t {
        nothing,   // the line goes on
        line,      // one with a right CRC: content() until the next byte
        garbled,   // a line without a right CRC, or with a byte that is not printable ASCII
        too_long,  // more than line_most bytes came before the LF; all dropped
    };
    Got on_byte(char byte);
    // What stands before '*'.
    [[nodiscard]] const char* content() const { return bytes_; }
    [[nodiscard]] std::size_t size() const { return size_; }
    // Bytes of a line whose LF has not come.
    [[nodiscard]] std::size_t pending() const { return pending_; }
    void reset();

  private:
    [[nodiscard]] Got judge();

    char bytes_[line_most]{};
    std::size_t pending_{0};
    std::size_t size_{0};
    bool dropping_{false};
};

// A field's value: a whole number, or that the board has the sensor but no reading of it ("v=x").
struct Field {
    char key[5]{};  // up to four characters and a NUL
    std::int64_t value{0};
    bool failed{false};
};

inline constexpr std::size_t word_most = 8;
inline constexpr std::size_t fields_most = 20;

// The content of a line taken apart: a direction, a word, fields in any order, each key once.
struct Record {
    char direction{0};
    char word[word_most + 1]{};
    Field fields[fields_most]{};
    std::size_t count{0};

    [[nodiscard]] bool is(const char* what) const;
    [[nodiscard]] const Field* find(const char* key) const;
};

// False where the content is not of the form; `record` then holds what was understood before the fault, so that a
// refusal can name its number.
[[nodiscard]] bool take_apart(const char* content, std::size_t size, Record& record);

// Builds one line. What would not fit is not written, and finish() gives 0: a cut line never looks whole.
class LineWriter {
  public:
    LineWriter(char direction, const char* word);
    LineWriter& add(const char* key, std::int64_t value);
    LineWriter& add_failed(const char* key);
    // Puts '*', the CRC and LF behind it; the number of bytes, 0 if it did not fit.
    [[nodiscard]] std::size_t finish();
    [[nodiscard]] const char* bytes() const { return bytes_; }

  private:
    void put(char c);
    void put(const char* text);

    char bytes_[line_most]{};
    std::size_t size_{0};
    bool full_{false};
};

}  // namespace slowfilm::wire::board
