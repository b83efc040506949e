// A broken invariant of our own: make outputs safe, say where, then die. Input from outside never gets here.
#pragma once

namespace slowfilm {

// The shell registers what makes every output safe; it must not allocate, block or throw.
using MakeSafe = void (*)() noexcept;
void on_broken_invariant(MakeSafe make_safe) noexcept;

[[noreturn]] void broken_invariant(const char* condition, const char* file, int line) noexcept;

}  // namespace slowfilm

#define ENSURE(condition)                                                 \
    do {                                                                  \
        if (!(condition))                                                 \
            ::slowfilm::broken_invariant(#condition, __FILE__, __LINE__); \
    } while (false)
