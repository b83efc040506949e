#include "daemon/core/ensure.hpp"

#include <algorithm>
#include <array>
#include <atomic>
#include <cstdlib>
#include <cstring>

#include <unistd.h>

namespace slowfilm {

namespace {

std::atomic<MakeSafe> registered{nullptr};
static_assert(std::atomic<MakeSafe>::is_always_lock_free);

// One line to stderr without allocation; what does not fit is cut.
class Line {
  public:
    Line& operator<<(const char* text) noexcept {
        const std::size_t length = std::min(std::strlen(text), bytes_.size() - size_);
        std::memcpy(bytes_.data() + size_, text, length);
        size_ += length;
        return *this;
    }
    Line& operator<<(int number) noexcept {
        std::array<char, 12> digits{};
        std::size_t at = digits.size() - 1;
        do {
            digits[--at] = static_cast<char>('0' + number % 10);
            number /= 10;
        } while (number > 0);
        return *this << (digits.data() + at);
    }
    void write_to_stderr() const noexcept {
        const ssize_t written = ::write(STDERR_FILENO, bytes_.data(), size_);
        static_cast<void>(written);  // nothing is left to do about it
    }

  private:
    std::array<char, 512> bytes_{};
    std::size_t size_{0};
};

}  // namespace

void on_broken_invariant(MakeSafe make_safe) noexcept {
    registered.store(make_safe);
}

void broken_invariant(const char* condition, const char* file, int line) noexcept {
    // Outputs first: stderr may be a pipe that nobody reads. Taken out, so that a fault in it does not come back here.
    if (const MakeSafe make_safe = registered.exchange(nullptr); make_safe != nullptr) {
        make_safe();
    }
    (Line{} << "slowfilm: broken invariant: " << condition << " at " << file << ":" << line << "\n").write_to_stderr();
    std::abort();
}

}  // namespace slowfilm
