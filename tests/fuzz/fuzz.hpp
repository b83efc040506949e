// A fuzz target is a function that takes any bytes and must come back: LLVMFuzzerTestOneInput, as libFuzzer calls it.
// Each is built twice: with GoogleTest (driver.cpp) for every test run, and with clang's libFuzzer where
// -D SANITIZE=fuzzer asks for it.
#pragma once

#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <string_view>

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size);

namespace slowfilm::fuzz {

// What a fuzzer looks for is a program that ends.
inline void require(bool condition, const char* what) {
    if (!condition) {
        (void)std::fprintf(stderr, "fuzz: not so: %s\n", what);
        std::abort();
    }
}

// Takes small choices from the front of the input; the rest is text.
class Input {
  public:
    Input(const std::uint8_t* data, std::size_t size) : rest_{reinterpret_cast<const char*>(data), size} {}

    // 0 to most - 1; 0 when the input has ended.
    [[nodiscard]] std::size_t choose(std::size_t most) {
        const std::size_t value = rest_.empty() ? 0 : static_cast<unsigned char>(rest_.front());
        rest_.remove_prefix(rest_.empty() ? 0 : 1);
        return value % most;
    }
    [[nodiscard]] std::string rest() const { return std::string{rest_}; }

  private:
    std::string_view rest_;
};

// Puts what `reader` gives for the bytes whole beside what it gives for them one by one and in pieces of `length`.
template <class Collect>
void same_in_pieces(const std::string& bytes, std::size_t length, Collect&& collect) {
    const auto whole = collect(bytes, bytes.size() + 1);
    require(collect(bytes, 1) == whole, "byte by byte gives the same");
    require(collect(bytes, length + 1) == whole, "in pieces gives the same");
}

}  // namespace slowfilm::fuzz
