// Operating failures are values: Result<T>. Bad user files are lists of diagnostics (diagnostic.hpp).
// A broken invariant of our own is ENSURE (ensure.hpp). No exception crosses a room's edge.
#pragma once

#include "daemon/core/place.hpp"

#include <cstdint>
#include <string>
#include <tl/expected.hpp>
#include <utility>

namespace slowfilm {

// What a caller can do about a failure. Each maps to one exit code (see exit_code).
enum class Failure : std::uint8_t {
    usage,          // the command's words are off                                   -> 64
    bad_data,       // a protocol, a tray, an ID, a state or a ledger forbids it      -> 65
    no_input,       // no such file, channel, run or cell                            -> 66
    no_daemon,      // nobody listens on the socket                                  -> 69
    internal,       // our own fault                                                 -> 70
    cannot_create,  // an output file cannot be made                                 -> 73
    cannot_write,   // a write or a sync failed                                      -> 74
    try_again,      // busy: channel, port, second daemon                            -> 75
    not_allowed,    // this user may not                                             -> 77
    bad_config,     // the bench file, a socket path                                 -> 78
};

struct Error {
    Failure failure{Failure::internal};
    std::string message;  // one sentence: what was wrong, and what would be right
    Place place{};        // in the user's file it is about, where it is known; else its beginning
};

template <class T, class E = Error>
using Result = tl::expected<T, E>;

[[nodiscard]] inline tl::unexpected<Error> fail(Failure failure, std::string message, Place place = {}) {
    return tl::unexpected<Error>{Error{failure, std::move(message), place}};
}

// The sysexits.h number of a failure.
[[nodiscard]] constexpr int exit_code(Failure failure) {
    switch (failure) {
        case Failure::usage: return 64;
        case Failure::bad_data: return 65;
        case Failure::no_input: return 66;
        case Failure::no_daemon: return 69;
        case Failure::internal: return 70;
        case Failure::cannot_create: return 73;
        case Failure::cannot_write: return 74;
        case Failure::try_again: return 75;
        case Failure::not_allowed: return 77;
        case Failure::bad_config: return 78;
    }
    return 70;
}

}  // namespace slowfilm
