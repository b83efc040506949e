// What is known of a cell across its runs: figures, hand readings, notes, quarantine, history.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/ledger/reader.hpp"
#include "daemon/results/summary.hpp"

#include <boost/json/object.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::results {

struct CellFigure {
    Figure figure;
    std::optional<ledger::RunNumber> run;  // the one it is of; nothing where no run defines it
};

struct CellSummary {
    ledger::CellRecord cell;
    std::vector<ledger::HandReading> entered;
    std::vector<ledger::QuarantineLifted> lifted;
    std::vector<Summary> runs;        // in order; rehearsals are of a model, not of this cell
    std::vector<CellFigure> figures;  // of the latest run that defines it; first_cycle_efficiency of the first
};

// no_input: the ledger knows no such cell.
[[nodiscard]] Result<CellSummary> summarise_cell(ledger::Reader& reader, std::string_view id);
[[nodiscard]] boost::json::object to_json(const CellSummary& summary);  // kind "cell"
[[nodiscard]] std::string to_text(const CellSummary& summary);          // for people
// The text that stands last under this name, or "".
[[nodiscard]] std::string latest(const std::vector<ledger::HandReading>& entered, std::string_view name);

}  // namespace slowfilm::results
