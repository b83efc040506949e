#include "daemon/bench/preparation.hpp"

#include "daemon/core/text.hpp"
#include "daemon/ledger/reader.hpp"
#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/check.hpp"

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <filesystem>
#include <system_error>

#include <sys/statvfs.h>

namespace slowfilm::bench {
namespace {

// Bytes on disk, rounded up from what is measured: indices, page slack and the write-ahead log are in them.
constexpr std::uint64_t tape_bytes_per_period = 24;  // a tick and a sample
constexpr std::uint64_t bytes_per_kept_sample = 320;
constexpr std::uint64_t bytes_per_visit = 4096;      // its row, its events, a checkpoint
constexpr std::uint64_t bytes_besides = 16U << 20U;  // the log may grow to this, whatever the run takes

std::string_view state_name(CellState state) {
    switch (state) {
        case CellState::pristine: return "pristine";
        case CellState::tapped: return "tapped";
        case CellState::formed: return "formed";
    }
    return "unknown";
}

std::uint64_t count_in(Duration span, Duration period) {
    return static_cast<std::uint64_t>(span.count / std::max<std::int64_t>(period.count, 1)) + 1;
}

Duration longest_run(const protocol::Protocol& protocol, const engine::Plan& plan) {
    const Duration by_steps = protocol::bounds(protocol, plan.capacity).run_time;
    const engine::GuardSetting& guard = plan.guards[static_cast<std::size_t>(GuardId::run_time)];
    return guard.origin == engine::Origin::off ? by_steps : std::min(by_steps, Duration{guard.trip});
}

Result<CellHistory> history_of(const StartRequest& wanted, const protocol::Protocol& protocol,
                               const std::string& ledger_path) {
    CellHistory claimed;
    claimed.furthest = protocol.cell.state;
    const Result<std::unique_ptr<ledger::Reader>> reader = ledger::Reader::open(ledger_path);
    if (!reader) {
        return tl::unexpected(reader.error());
    }
    const Result<std::optional<ledger::CellRecord>> found = (*reader)->cell(wanted.cell);
    if (!found) {
        return tl::unexpected(found.error());
    }
    if (!*found) {
        return claimed;
    }
    const ledger::CellRecord& cell = **found;
    if (cell.history.quarantined) {
        return fail(Failure::bad_data, "cell '" + escaped(wanted.cell) + "' is quarantined (" +
                                           escaped(cell.quarantine) + "); it sees no current again");
    }
    if (!cell.history.known) {
        return claimed;
    }
    if (cell.history.furthest != protocol.cell.state) {
        return fail(Failure::bad_data, "the protocol is for a " + std::string(state_name(protocol.cell.state)) +
                                           " cell, but the ledger knows '" + escaped(wanted.cell) + "' as " +
                                           std::string(state_name(cell.history.furthest)) + "; take a protocol for a " +
                                           std::string(state_name(cell.history.furthest)) +
                                           " cell, or see whether this is the right one");
    }
    return cell.history;
}

Result<void> check_room(const protocol::Protocol& protocol, const engine::Plan& plan, const std::string& ledger_path,
                        const FreeBytes& free_bytes) {
    const Result<std::uint64_t> free = free_bytes(ledger_path);
    if (!free) {
        return tl::unexpected(free.error());
    }
    const std::uint64_t needed = ledger_bytes_bound(protocol, plan);
    if (*free < needed) {
        const auto mebibytes = [](std::uint64_t bytes) { return std::to_string(bytes >> 20U) + " MiB"; };
        return fail(Failure::cannot_write, "the run may take " + mebibytes(needed + (1U << 20U)) +
                                               " of the ledger's disk, and " + mebibytes(*free) + " are free at " +
                                               escaped(ledger_path) + "; make room, or keep fewer samples");
    }
    return {};
}

}  // namespace

Result<std::uint64_t> free_bytes_beside(const std::string& path) {
    const std::string directory = std::filesystem::path(path).parent_path().string();
    struct statvfs disk {};
    if (::statvfs(directory.c_str(), &disk) != 0) {
        return fail(Failure::cannot_write, "cannot see how much room there is in " + escaped(directory) + ": " +
                                               std::generic_category().message(errno));
    }
    return static_cast<std::uint64_t>(disk.f_bavail) * disk.f_frsize;
}

std::uint64_t ledger_bytes_bound(const protocol::Protocol& protocol, const engine::Plan& plan) {
    const Duration longest = longest_run(protocol, plan);
    const std::uint64_t periods = count_in(longest, plan.traits.period);
    const bool on_change = plan.keep.voltage.set || plan.keep.current.set || plan.keep.temperature.set;
    const std::uint64_t by_interval = plan.keep.every.count > 0 ? count_in(longest, plan.keep.every) : 0;
    const std::uint64_t kept = on_change ? periods : std::min(periods, by_interval);
    const std::uint64_t visits = protocol::bounds(protocol, plan.capacity).visits;
    return periods * tape_bytes_per_period + kept * bytes_per_kept_sample +
           std::min<std::uint64_t>(visits, protocol::visits_max) * bytes_per_visit + bytes_besides;
}

Result<Prepared> prepare_start(const StartRequest& wanted, const ChannelTraits& traits, const BenchCaps& caps,
                               const std::string& ledger_path, const FreeBytes& free_bytes) {
    const protocol::Checked checked = protocol::check_protocol(wanted.protocol_file, wanted.protocol_text);
    if (!checked.protocol) {
        return fail(Failure::bad_data, render(checked.diagnostics, wanted.protocol_text));
    }
    const Charge capacity = wanted.capacity.value_or(checked.protocol->cell.capacity);
    Result<engine::Plan> plan = engine::make_plan(*checked.protocol, capacity, traits, caps);
    if (!plan) {
        return tl::unexpected(plan.error());
    }
    const Result<CellHistory> history = history_of(wanted, *checked.protocol, ledger_path);
    if (!history) {
        return tl::unexpected(history.error());
    }
    if (const Result<void> room = check_room(*checked.protocol, *plan, ledger_path, free_bytes); !room) {
        return tl::unexpected(room.error());
    }
    return Prepared{*checked.protocol, std::move(*plan), *history};
}

}  // namespace slowfilm::bench
