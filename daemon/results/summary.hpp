// What a run came to: its steps, cycles, figures, margins, trips, gaps and verdict, computed from the record alone.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/ledger/reader.hpp"
#include "daemon/ledger/records.hpp"

#include <boost/json/object.hpp>
#include <boost/json/value.hpp>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::results {

// A figure that is not defined has no value and says why.
struct Figure {
    std::string name;
    std::optional<double> value;  // in `unit`
    std::optional<double> uncertainty;
    std::string unit;                    // "1", "Ah", "ohm", "mV/h"
    std::string reason;                  // why there is no value, or ""
    std::string uncertainty_reason;      // why there is no uncertainty, or ""
    std::string uncertainty_means;       // what it is, where there is one
    std::optional<std::uint32_t> cycle;  // the cycle it is of, where it is of one
};

struct Cycle {
    std::uint32_t number{1};
    bool complete{false};  // a discharge ended it
    double charge_ah{0}, discharge_ah{0}, charge_wh{0}, discharge_wh{0};
    std::optional<double> coulombic_efficiency, energy_efficiency;
    std::string reason;                         // why the efficiencies are not defined, or ""
    std::size_t first_visit{0}, visits_end{0};  // its part of RunData::visits: [first_visit, visits_end)
};

struct Verdict {
    // "accept", or the first grade that fits, or "reject" by the protocol's [accept]; "undecided" where a figure that a
    // rule needs is not defined and no other rule rejects; "none" where there are no rules, or the run did not end as
    // written.
    std::string grade;
    std::vector<std::string> reasons;
};

struct Summary {
    ledger::RunData run;
    std::vector<Cycle> cycles;
    std::vector<Figure> figures;
    Verdict verdict;
    std::vector<std::string> step_paths;  // of Event::step
};

// Never fails: what cannot be computed is a figure without value, with the reason.
[[nodiscard]] Summary summarise(ledger::RunData run);
// The same, of a run in a ledger: compared with the other finished runs of its protocol where a rule says within_mad.
[[nodiscard]] Result<Summary> summarise(ledger::Reader& reader, ledger::RunNumber number);
[[nodiscard]] boost::json::value to_json(const Summary& summary);  // kind "summary"
[[nodiscard]] std::string to_text(const Summary& summary);         // for people

[[nodiscard]] boost::json::object to_json(const ledger::HandReading& reading);
[[nodiscard]] boost::json::object to_json(const Figure& figure);
// "0.0400 ohm", "0.8540", "-" where there is none.
[[nodiscard]] std::string value_text(const Figure& figure);

}  // namespace slowfilm::results
