// A run on a model: the very engine that runs a bench, on a virtual clock, as fast as the processor goes. It leaves the
// same records as a real run.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/engine/engine.hpp"
#include "daemon/ledger/records.hpp"
#include "daemon/ledger/writer.hpp"
#include "daemon/protocol/protocol.hpp"
#include "sim/cell/circuit_parameters.hpp"
#include "sim/cell/particle_parameters.hpp"
#include "sim/stage/stage.hpp"

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::sim {

struct RehearsalOptions {
    std::optional<Charge> capacity;  // absent: the protocol's rated capacity
    // The cell: an equivalent circuit, else this set, else the built-in set of the protocol's chemistry, the latter two
    // scaled to the capacity.
    std::optional<CircuitParameters> cell;
    std::optional<ParticleParameters> set;
    std::optional<ChannelTraits> traits;  // absent: an ideal two-quadrant source in a chamber
    double chamber_ramp{2.0 / 60.0};      // K/s
    std::optional<BenchCaps> caps;        // absent: none
    std::uint64_t seed{1};                // of the noise
    bool noise{false};                    // a tenth of the channel's accuracy, one standard deviation
    std::vector<StageFault> faults;       // of the stage
    std::string cell_id{"rehearsed"};
    std::int64_t created_utc{0};      // us since 1970: when the run's clock reads 0
    bool keep_samples{false};         // in the outcome
    ledger::Writer* ledger{nullptr};  // where the run is recorded, tape and checkpoints too
    // Every input, and what the engine made of it, in order.
    std::function<void(const Input&, const engine::Decision&)> on_input;
};

// What only a model can tell.
struct ModelReport {
    std::string name;            // "circuit: NMC/graphite"
    double film_charge_ah{0.0};  // kept by the film since the run began
    double leaked_ah{0.0};
    double stored_ah{0.0};         // gained by the electrodes; with the two above, all that went in
    double charge_state_end{0.0};  // of the cell's capacity
    double ambient_celsius{25.0};  // what it assumed around the cell
    // Of the electrochemical model alone.
    struct Electrochemistry {
        double film_thickness_nm{0.0};
        double lowest_graphite{0.0};  // V against lithium: below 0, lithium plates
        double plated_ah{0.0};        // lithium metal at the end, what cannot be stripped any more included
        std::string compared;         // by how much the set is known to be off; "": never compared with measured cells
        // Of such a fresh cell charged and discharged over its window at C/10 and 25 degC.
        std::optional<double> first_cycle_efficiency;
    };
    std::optional<Electrochemistry> electrochemistry;
};

struct RehearsalOutcome {
    ledger::RunData run;  // run number 1 without a ledger
    std::vector<ledger::SampleRecord> samples;
    ModelReport model;
    std::uint64_t inputs{0};    // decisions taken
    std::uint32_t confirms{0};  // asks that were answered at once
};

// Ends when the run is over, or waits for a person whom a rehearsal does not have. bad_config: the channel cannot do or
// protect what the protocol asks; bad_data: a cell that cannot be; cannot_write: the ledger takes no more.
[[nodiscard]] Result<RehearsalOutcome> rehearse(const protocol::Protocol& protocol, const std::string& text,
                                                const RehearsalOptions& options);

}  // namespace slowfilm::sim
