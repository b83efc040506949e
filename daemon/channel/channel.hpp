// What a channel is: it gives samples and takes demands. Every call has a deadline inside; its handler is called
// exactly once, on the bench's thread, possibly before the call returns. A channel never retries for ever and never
// hides an error.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/demand.hpp"
#include "daemon/core/input.hpp"
#include "daemon/core/result.hpp"
#include "daemon/core/sample.hpp"
#include "daemon/core/traits.hpp"

#include <functional>
#include <string>
#include <utility>

namespace slowfilm::channel {

// What a person should know of what is behind a channel.
struct Health {
    bool ready{true};      // identified, off and at zero, its own protection set, all read back
    std::string trouble;   // why it is not ready, or what was last found wrong, as a sentence; "" when well
    std::string identity;  // as the instruments say it; "" where there is none
    std::string settings;  // what was last read back, "voltage 4.2 V, current 0.25 A"; "" where nothing was
};

// What lies in a fixture from now on, as its run says.
struct LoadedCell {
    std::string id;
    std::string chemistry;  // as a protocol's [cell] says it
    Charge capacity;
    CellState state{CellState::pristine};
};

class Channel {
  public:
    using SampleHandler = std::function<void(const Sample&)>;
    // The demand as the stage took it, or why it did not.
    using AppliedHandler = std::function<void(Result<Demand, FaultKind>)>;

    // What was noticed without being asked: lost, rebooted, opened by itself, changed at the front panel.
    using FaultHandler = std::function<void(FaultKind)>;

    virtual ~Channel() = default;
    Channel() = default;
    Channel(const Channel&) = delete;
    Channel& operator=(const Channel&) = delete;

    [[nodiscard]] virtual const ChannelTraits& traits() const = 0;
    // Simulated channels may run on a scaled clock; one that is real forbids it.
    [[nodiscard]] virtual bool simulated() const = 0;
    // `now` is the run time at which the sample is asked for; a quantity that does not arrive is absent in it.
    virtual void sample(Time now, SampleHandler handler) = 0;
    // A demand that comes before the last was taken takes its place; both handlers hear what came of the later one.
    virtual void apply(const Demand& demand, Time now, AppliedHandler handler) = 0;
    [[nodiscard]] virtual Health health() const = 0;
    void on_fault(FaultHandler handler) { fault_handler_ = std::move(handler); }
    // Sets the chamber around the fixture, where there is one; it goes there at its own pace.
    virtual void set_ambient(Temperature ambient, Time now) = 0;
    // Something in that chamber is hot: it goes to `safe`, and a real one is switched off besides.
    virtual void cool(Temperature safe, Time now) { set_ambient(safe, now); }
    // A new cell lies in the fixture (simulation only; hardware does nothing).
    virtual void load_cell(const LoadedCell& cell, Time now) = 0;
    // How warm it was around the cell at a time that is lived through again, before the present is asked for
    // (simulation only).
    virtual void ambient_was(Temperature /*ambient*/, Time /*then*/) {}

  protected:
    void tell_fault(FaultKind kind) {
        if (fault_handler_) {
            fault_handler_(kind);
        }
    }

  private:
    FaultHandler fault_handler_;
};

}  // namespace slowfilm::channel
