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

namespace slowfilm::channel {

class Channel {
  public:
    using SampleHandler = std::function<void(const Sample&)>;
    // The demand as the stage took it, or why it did not.
    using AppliedHandler = std::function<void(Result<Demand, FaultKind>)>;

    virtual ~Channel() = default;
    Channel() = default;
    Channel(const Channel&) = delete;
    Channel& operator=(const Channel&) = delete;

    [[nodiscard]] virtual const ChannelTraits& traits() const = 0;
    // Simulated channels may run on a scaled clock; one that is real forbids it.
    [[nodiscard]] virtual bool simulated() const = 0;
    // `now` is the run time at which the sample is asked for; a quantity that does not arrive is absent in it.
    virtual void sample(Time now, SampleHandler handler) = 0;
    virtual void apply(const Demand& demand, Time now, AppliedHandler handler) = 0;
    // Sets the chamber around the fixture, where there is one; it goes there at its own pace.
    virtual void set_ambient(Temperature ambient, Time now) = 0;
    // A new cell lies in the fixture (simulation only; hardware does nothing).
    virtual void load_cell(const std::string& cell_id, Charge capacity, CellState state, Time now) = 0;
};

}  // namespace slowfilm::channel
