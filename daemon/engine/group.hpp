// The channels of one group send their test currents one after the other, and while one flows the others are watched:
// a voltage that moves with a current which is not its own has crossed leads. Cross-wired force and sense pass every
// guard, and overcharge the neighbour.
#pragma once

#include "daemon/core/quantity.hpp"
#include "daemon/core/sample.hpp"
#include "daemon/core/traits.hpp"
#include "daemon/engine/run.hpp"

#include <cstdint>
#include <optional>
#include <vector>

namespace slowfilm::engine {

// What moves the voltage of a neighbour besides our test current.
enum class Neighbour : std::uint8_t {
    itself,  // a current that changes, or a stage that regulates: nothing can be told
    driven,  // the same current for a while: it moves, and evenly
    open,    // nothing is asked of it: a cell at rest
    empty,   // nothing lies there: what stands still may be told of, what wanders is an open lead
};

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

    // A good reading of another channel. `phase` is that of the run whose test is under way. True once, when its
    // voltage has moved with the test by more than `threshold` and come back: give the tested run Crossed.
    [[nodiscard]] bool sample(std::size_t channel, const Reading<Voltage>& voltage, Neighbour how, TestPhase phase,
                              Voltage threshold);

    [[nodiscard]] std::optional<std::size_t> under_way() const { return under_way_; }

  private:
    struct Watched {
        bool wants{false};
        std::uint64_t asked{0};  // order of asking
        Neighbour how{Neighbour::itself};
        Reading<Voltage> older, newer, before;  // good where known; the first two give the slope
        Voltage moved;                          // the furthest under the test current, from where it would have been
        bool moved_known{false}, told{false};
        [[nodiscard]] bool slope_known() const;
        [[nodiscard]] Voltage expected(Time at) const;
    };
    static void forget(Watched& watched);
    static void note_before(Watched& watched, const Reading<Voltage>& voltage);
    static bool may_tell(const Watched& watched, Voltage threshold);
    std::vector<Watched> channels_;
    std::optional<std::size_t> under_way_;
    std::uint64_t asked_{0};
};

}  // namespace slowfilm::engine
