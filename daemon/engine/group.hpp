// The channels of one group send their test currents one after the other, and while one flows the others are watched:
// a voltage that moves with a current which is not its own has crossed leads. Cross-wired force and sense pass every
// guard, and overcharge the neighbour.
#pragma once

#include "daemon/core/quantity.hpp"
#include "daemon/core/traits.hpp"
#include "daemon/engine/run.hpp"

#include <cstdint>
#include <optional>
#include <vector>

namespace slowfilm::engine {

// Knows its channels by their place in the group, from 0. Allocates only when it is made.
class GroupTests {
  public:
    explicit GroupTests(std::size_t channels);

    // Decision.wants_test of that channel's run. Asking twice is asking once.
    void request(std::size_t channel);
    // Whose turn it is, in the order of asking, once nobody else's test is under way: give its run TestGrant.
    [[nodiscard]] std::optional<std::size_t> grant();
    // Decision.test_over, or the run is gone: another may be granted.
    void over(std::size_t channel);

    // A good reading of another channel. `phase` is that of the run whose test is under way; `open`: nothing is asked
    // of this channel, so that what moves it is not its own. True once, when its voltage has moved with the test by
    // more than `threshold` and come back: give the tested run Crossed.
    [[nodiscard]] bool sample(std::size_t channel, Voltage voltage, bool open, TestPhase phase, Voltage threshold);

    [[nodiscard]] std::optional<std::size_t> under_way() const { return under_way_; }

  private:
    struct Watched {
        bool wants{false};
        std::uint64_t asked{0};  // order of asking
        Voltage before, during;
        bool before_known{false}, during_known{false}, told{false};
    };
    std::vector<Watched> channels_;
    std::optional<std::size_t> under_way_;
    std::uint64_t asked_{0};
};

}  // namespace slowfilm::engine
