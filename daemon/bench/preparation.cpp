#include "daemon/bench/preparation.hpp"

#include "daemon/core/text.hpp"
#include "daemon/core/utc.hpp"
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

std::uint64_t count_in(Duration span, Duration period) {
    return static_cast<std::uint64_t>(span.count / std::max<std::int64_t>(period.count, 1)) + 1;
}

Duration longest_run(const protocol::Protocol& protocol, const engine::Plan& plan) {
    const Duration by_steps = protocol::bounds(protocol, plan.capacity).run_time;
    const engine::GuardSetting& guard = plan.guards[static_cast<std::size_t>(GuardId::run_time)];
    return guard.origin == engine::Origin::off ? by_steps : std::min(by_steps, Duration{guard.trip});
}

// The cell has lain long enough since it was filled for the electrolyte to be everywhere.
Result<void> check_soaked(const CellWanted& wanted, Duration soaked, ledger::Reader& reader, std::int64_t utc) {
    const Result<std::vector<ledger::HandReading>> entered = reader.hand_readings(wanted.cell);
    if (!entered) {
        return tl::unexpected(entered.error());
    }
    const auto filled = std::find_if(entered->rbegin(), entered->rend(),
                                     [](const ledger::HandReading& one) { return one.name == "filled"; });
    const std::string cell = escaped(wanted.cell);
    if (filled == entered->rend()) {
        return fail(Failure::bad_data, "the protocol wants " + print_span(soaked) +
                                           " since the cell was filled, and when '" + cell +
                                           "' was filled is not known; enter it: slowfilm enter '" + cell +
                                           "' filled 2026-11-24T18:00:00Z (with --new for a cell that is new)");
    }
    const Result<std::int64_t, std::string> at = parse_utc(filled->text);
    if (!at) {
        return fail(Failure::bad_data, "the ledger's filling time of cell '" + cell + "', '" + escaped(filled->text) +
                                           "', " + at.error() + "; enter it anew");
    }
    const Duration since{utc - *at};
    if (since < soaked) {
        return fail(Failure::bad_data, "cell '" + cell + "' was filled at " + filled->text + ", " +
                                           print_span(std::max(since, Duration{})) + " ago, and the protocol wants " +
                                           print_span(soaked) + "; it may start at " + print_utc(*at + soaked.count));
    }
    return {};
}

// Guards that go by charge are shares of the rated capacity: one that is typed ten times too large blinds them. Cells
// of one protocol, and one cell over its runs, never differ by more than this (common practice).
Result<void> check_capacity(const CellWanted& wanted, Charge capacity, Charge in_protocol, ledger::Reader& reader) {
    constexpr std::int64_t factor = 2;
    const auto far = [&](Charge known) { return capacity > known * factor || capacity * factor < known; };
    const std::string guards = ", and charge_leg_max, net_max, stuck and every C/n go by it; ";
    const auto between = [&](Charge known) {
        return "between " + print(Charge{(known.count + 1) / factor}) + " and " + print(known * factor);
    };
    if (far(in_protocol)) {
        return fail(Failure::bad_data, "a rated capacity of " + print(capacity) + " for cell '" + escaped(wanted.cell) +
                                           "' does not fit the protocol, which is for cells of " + print(in_protocol) +
                                           guards + between(in_protocol) +
                                           " would be right, or a protocol for cells of that size");
    }
    const Result<std::optional<Charge>> last = reader.last_capacity(wanted.cell);
    if (!last) {
        return tl::unexpected(last.error());
    }
    if (*last && far(**last)) {
        return fail(Failure::bad_data, "a rated capacity of " + print(capacity) + " for cell '" + escaped(wanted.cell) +
                                           "' does not fit its last run, where it was " + print(**last) + guards +
                                           between(**last) + " would be right; see whether this is the right cell");
    }
    return {};
}

Result<CellHistory> history_of(const CellWanted& wanted, const protocol::Protocol& protocol, Charge capacity,
                               const StartConditions& conditions) {
    CellHistory claimed;
    claimed.furthest = protocol.cell.state;
    const Result<std::unique_ptr<ledger::Reader>> reader = ledger::Reader::open(conditions.ledger_path);
    if (!reader) {
        return tl::unexpected(reader.error());
    }
    if (const auto fits = check_capacity(wanted, capacity, protocol.cell.capacity, **reader); !fits) {
        return tl::unexpected(fits.error());
    }
    if (protocol.start.soaked) {
        if (const auto soaked = check_soaked(wanted, *protocol.start.soaked, **reader, conditions.utc); !soaked) {
            return tl::unexpected(soaked.error());
        }
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
                                           escaped(cell.quarantine) +
                                           "); it gets no current until a person lifts that: slowfilm release '" +
                                           escaped(wanted.cell) + "' --reason TEXT");
    }
    if (!cell.history.known) {
        CellHistory kept = cell.history;  // its charge and its clock go on; what it is, is still a claim
        kept.furthest = claimed.furthest;
        kept.first_leg_over = claimed.first_leg_over;
        return kept;
    }
    if (cell.history.furthest != protocol.cell.state) {
        return fail(Failure::bad_data, "the protocol is for a " + std::string(name(protocol.cell.state)) +
                                           " cell, but the ledger knows '" + escaped(wanted.cell) + "' as " +
                                           std::string(name(cell.history.furthest)) + "; take a protocol for a " +
                                           std::string(name(cell.history.furthest)) +
                                           " cell, or see whether this is the right one");
    }
    return cell.history;
}

Result<void> check_room(std::uint64_t needed, const StartConditions& conditions) {
    const Result<std::uint64_t> free = conditions.free_bytes(conditions.ledger_path);
    if (!free) {
        return tl::unexpected(free.error());
    }
    if (*free < needed + conditions.bytes_spoken_for) {
        const auto mebibytes = [](std::uint64_t bytes) { return std::to_string(bytes >> 20U) + " MiB"; };
        const std::string others =
            conditions.bytes_spoken_for > 0
                ? ", those that start with it " + mebibytes(conditions.bytes_spoken_for + (1U << 20U))
                : "";
        return fail(Failure::cannot_write, "the run may take " + mebibytes(needed + (1U << 20U)) +
                                               " of the ledger's disk" + others + ", and " + mebibytes(*free) +
                                               " are free at " + escaped(conditions.ledger_path) +
                                               "; make room, or keep fewer samples");
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

Result<void> check_chemistry(const protocol::Protocol& protocol, const std::string& simulated_chemistry) {
    const std::string_view wanted = protocol::word(protocol.cell.chemistry);
    if (protocol.cell.chemistry == protocol::Chemistry::other || simulated_chemistry.empty() ||
        simulated_chemistry == wanted) {
        return {};
    }
    return fail(Failure::bad_data, "the protocol is for " + std::string(wanted) +
                                       ", and the cells simulated there are " + escaped(simulated_chemistry, 80) +
                                       "; take another channel, or leave 'cell' out of its [channel.simulated] and it "
                                       "follows the protocol");
}

Result<Prepared> prepare_start(const ProtocolWanted& protocol, const CellWanted& wanted,
                               const StartConditions& conditions) {
    const protocol::Checked checked = protocol::check_protocol(protocol.file, protocol.text);
    if (!checked.protocol) {
        return fail(Failure::bad_data, render(checked.diagnostics, protocol.text));
    }
    if (const Result<void> fits = check_chemistry(*checked.protocol, conditions.simulated_chemistry); !fits) {
        return tl::unexpected(fits.error());
    }
    const Charge capacity = wanted.capacity.value_or(checked.protocol->cell.capacity);
    const Result<CellHistory> history = history_of(wanted, *checked.protocol, capacity, conditions);
    if (!history) {
        return tl::unexpected(history.error());
    }
    Result<engine::Plan> plan = engine::make_plan(*checked.protocol, capacity, conditions.traits, conditions.caps);
    if (!plan) {
        return tl::unexpected(plan.error());
    }
    const std::uint64_t bytes = ledger_bytes_bound(*checked.protocol, *plan);
    if (const Result<void> room = check_room(bytes, conditions); !room) {
        return tl::unexpected(room.error());
    }
    return Prepared{*checked.protocol, std::move(*plan), *history, bytes};
}

}  // namespace slowfilm::bench
