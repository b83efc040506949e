// Bytes as a serial port hands them over: in any pieces.
#pragma once

#include <algorithm>
#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

#include <rapidcheck.h>

namespace slowfilm::wire::test {

// Any bytes, all 256 values among them.
inline rc::Gen<std::string> any_bytes() {
    return rc::gen::container<std::string>(rc::gen::arbitrary<char>());
}

// Printable text with now and then a terminator: what a parser gets far with.
inline rc::Gen<std::string> any_lines() {
    const auto common = rc::gen::element('\n', '\r', '*', ',', '.', '+', '-', 'E', '0', '1', '9', ' ', '"', ';', ':');
    return rc::gen::container<std::string>(rc::gen::oneOf(common, rc::gen::inRange<char>(' ', '~')));
}

inline std::vector<std::string> pieces_of(const std::string& bytes, std::vector<std::size_t> cuts) {
    for (std::size_t& cut : cuts) {
        cut %= bytes.size() + 1;
    }
    cuts.push_back(0);
    cuts.push_back(bytes.size());
    std::sort(cuts.begin(), cuts.end());
    std::vector<std::string> pieces;
    for (std::size_t i = 1; i < cuts.size(); ++i) {
        pieces.push_back(bytes.substr(cuts[i - 1], cuts[i] - cuts[i - 1]));
    }
    return pieces;
}

inline rc::Gen<std::vector<std::size_t>> any_cuts() {
    return rc::gen::container<std::vector<std::size_t>>(rc::gen::inRange<std::size_t>(0, 4'096));
}

// What a reader that returns lists gives for these pieces, one after the other.
template <class Reader>
auto all_of(Reader& reader, const std::vector<std::string>& pieces) {
    decltype(reader.push("")) all;
    for (const std::string& piece : pieces) {
        for (auto& item : reader.push(piece)) {
            all.push_back(std::move(item));
        }
    }
    return all;
}

// "11 03 00" as bytes.
inline std::string hex(std::string_view text) {
    std::string bytes;
    unsigned value = 0;
    int digits = 0;
    for (const char c : text) {
        if (c == ' ') {
            continue;
        }
        value = value * 16U + static_cast<unsigned>(c <= '9' ? c - '0' : c - 'A' + 10);
        if (++digits == 2) {
            bytes += static_cast<char>(static_cast<unsigned char>(value));
            value = 0;
            digits = 0;
        }
    }
    return bytes;
}

}  // namespace slowfilm::wire::test
