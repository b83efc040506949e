#include "daemon/bench/moving.hpp"

#include "daemon/core/ensure.hpp"
#include "daemon/engine/describe.hpp"
#include "daemon/engine/guards.hpp"
#include "daemon/engine/opening.hpp"
#include "daemon/protocol/check.hpp"

#include <utility>

namespace slowfilm::bench {

std::string why_not_movable(const engine::Run& run) {
    if (run.state != RunState::waiting && run.state != RunState::paused) {
        return "is " + std::string(engine::name(run.state)) + ": only a run that waits or is paused can be moved";
    }
    return "";
}

void put_elsewhere(engine::Run& run) {
    run.in_hand = true;
    if (run.begun && run.window != engine::StartWindow::by_history) {
        run.window = engine::StartWindow::same_cell;
    }
    run.state = RunState::waiting;
    run.wait = WaitReason::moved;
    run.halted = run.now;
    run.demand = Open{};
    run.demand_at = run.now;
    run.applied = Open{};
    run.applied_known = false;
    run.taken = false;
    run.opening = engine::Opening{};
    engine::ask_opening(run.opening, run.now);
    run.charge_mark = run.now;
    run.charge_running = false;
    run.last = Sample{};  // what was read there was read by another instrument
    run.test = engine::ConnectionTest{};
    run.check_count = 0;
    engine::start_guards(run.guards, run.now);
}

Result<std::vector<Stretch>> stretches_of(const ledger::RunData& data) {
    const ledger::RunHeader& header = data.header;
    const std::string named = "run " + std::to_string(header.run);
    const protocol::Checked checked = protocol::check_protocol("the recorded protocol", header.protocol_text);
    if (!checked.protocol) {
        return fail(Failure::bad_data, "this version cannot read the protocol of " + named + ":\n" +
                                           render(checked.diagnostics, header.protocol_text));
    }
    std::vector<Stretch> stretches;
    const auto add = [&](std::uint64_t after, const ChannelTraits& traits, const BenchCaps& caps) -> Result<void> {
        Result<engine::Plan> plan = engine::make_plan(*checked.protocol, header.capacity, traits, caps);
        if (!plan) {
            return fail(Failure::bad_data, "this version cannot plan " + named + ": " + plan.error().message);
        }
        stretches.push_back({after, std::make_unique<const engine::Plan>(std::move(*plan))});
        return {};
    };
    if (auto first = add(0, header.traits, header.caps); !first) {
        return tl::unexpected(first.error());
    }
    for (const ledger::MoveRecord& move : data.moves) {
        if (auto next = add(move.after, move.traits, move.caps); !next) {
            return tl::unexpected(next.error());
        }
    }
    return stretches;
}

Stretches::Stretches(const std::vector<Stretch>& all, engine::Run& run) : all_(&all) {
    ENSURE(!all.empty());
    while (at_ + 1 < all.size() && all[at_ + 1].after < run.sequence) {
        ++at_;
    }
    follow(run);
}

bool Stretches::follow(engine::Run& run) {
    bool moved = false;
    while (at_ + 1 < all_->size() && (*all_)[at_ + 1].after == run.sequence) {
        ++at_;
        put_elsewhere(run);
        moved = true;
    }
    return moved;
}

}  // namespace slowfilm::bench
