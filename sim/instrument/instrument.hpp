// What hangs on a serial line, whatever it is: hears bytes, answers bytes, and lives on in virtual time. Pure: no port,
// no clock; the same bytes at the same times give the same answers.
#pragma once

#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"
#include "sim/instrument/fault.hpp"

#include <string>
#include <string_view>

namespace slowfilm::sim::instrument {

// At this pace protections, watchdogs and drains are judged. A channel board must judge every 100 ms at least.
inline constexpr Duration tick_period{50'000};

class Instrument {
  public:
    Instrument() = default;
    virtual ~Instrument() = default;
    Instrument(const Instrument&) = delete;
    Instrument& operator=(const Instrument&) = delete;

    // One byte more. What it answers, or nothing.
    [[nodiscard]] virtual std::string hear(char byte, Time now) = 0;
    // Nothing has come for 3.5 characters.
    [[nodiscard]] virtual std::string silence(Time /*now*/) { return {}; }
    virtual void tick(Time now) = 0;
    // Begins and ends a fault that is not the line's. The phrase says why an instrument of this kind cannot have it.
    [[nodiscard]] virtual Result<void, std::string> set_fault(const Fault& fault, bool on, Time now) = 0;
    // What it is, is set to and reads: one printable line each.
    [[nodiscard]] virtual std::string describe(Time now) = 0;
};

}  // namespace slowfilm::sim::instrument
