// A run's kept samples as CSV (RFC 4180) under the column labels of the open Battery Data Format.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/ledger/reader.hpp"

#include <functional>
#include <string>
#include <string_view>

namespace slowfilm::results {

// Takes the next piece of the text; false when it could not.
using Sink = std::function<bool(std::string_view)>;

// The header line, then a line for each kept sample. A reading that is absent or bad is an empty field; numbers are
// exact to the ledger's own digits. cannot_write when the sink would take no more.
[[nodiscard]] Result<void> export_csv(ledger::Reader& reader, ledger::RunNumber number, const Sink& sink);

// A text as one CSV field: quoted where it must be, and with an apostrophe before what a spreadsheet would take for a
// formula.
[[nodiscard]] std::string csv_field(std::string_view text);

}  // namespace slowfilm::results
