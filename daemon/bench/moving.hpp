// A run that is put on another channel: what its state becomes, and which plan holds for which part of its tape.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/engine/run.hpp"
#include "daemon/ledger/records.hpp"

#include <cstdint>
#include <memory>
#include <vector>

namespace slowfilm::bench {

// Why it may not be moved just now, as the end of a sentence; "" when it may: it waits or is paused.
[[nodiscard]] std::string why_not_movable(const engine::Run& run);

// It waits for a person on a channel whose output nobody has seen yet; the checks that a resume brings are those of the
// same cell. Twice is the same as once.
void put_elsewhere(engine::Run& run);

// What of the tape comes after this input is judged by this plan.
struct Stretch {
    std::uint64_t after{0};
    std::unique_ptr<const engine::Plan> plan;
};
// In order, the first from the start. bad_data: this version cannot read the protocol or plan it for a channel.
[[nodiscard]] Result<std::vector<Stretch>> stretches_of(const ledger::RunData& data);

// Follows a tape: which plan holds now.
class Stretches {
  public:
    // `sequence`: of the last input that `run` has taken, 0 before the first.
    Stretches(const std::vector<Stretch>& all, engine::Run& run);
    [[nodiscard]] const engine::Plan& plan() const { return *(*all_)[at_].plan; }
    // Call after each input: a run that was moved after it goes on elsewhere. True where it did.
    bool follow(engine::Run& run);

  private:
    const std::vector<Stretch>* all_;
    std::size_t at_{0};
};

}  // namespace slowfilm::bench
