#include "sim/rehearsal/rehearsal.hpp"

#include "daemon/core/text.hpp"
#include "daemon/record/record.hpp"
#include "sim/cell/circuit.hpp"
#include "sim/cell/particle.hpp"
#include "sim/sets/particle_sets.hpp"
#include "sim/stage/chamber.hpp"

#include <algorithm>
#include <cmath>
#include <memory>
#include <utility>
#include <variant>
#include <vector>

namespace slowfilm::sim {

namespace {

using namespace literals;

constexpr Duration checkpoint_every = 1_min;
constexpr double chamber_min = -40.0;  // degC: an ideal chamber goes wherever a protocol may ask it to
constexpr double chamber_max = 150.0;

// The cell of a rehearsal and the way to ask it what only a model can tell.
struct Modelled {
    std::unique_ptr<Cell> cell;
    std::function<ModelReport()> report;
};

Result<Modelled> circuit_of(const CircuitParameters& parameters, CellState state) {
    if (const Result<void> checked = check(parameters); !checked) {
        return tl::unexpected<Error>{checked.error()};
    }
    auto owned = std::make_unique<CircuitCell>(parameters, state);
    const CircuitCell& cell = *owned;
    return Modelled{std::move(owned), [&cell] {
                        return ModelReport{.name = "circuit: as given",
                                           .film_charge_ah = cell.lost_to_film(),
                                           .leaked_ah = cell.leaked(),
                                           .stored_ah = cell.stored_since_start(),
                                           .charge_state_end = cell.charge_state()};
                    }};
}

Result<Modelled> set_of(const ParticleParameters& parameters, CellState state) {
    if (const Result<void> checked = check(parameters); !checked) {
        return tl::unexpected<Error>{checked.error()};
    }
    auto owned = std::make_unique<ParticleCell>(parameters, state);
    const ParticleCell& cell = *owned;
    return Modelled{std::move(owned), [&cell, parameters] {
                        const ParticleReport told = cell.report();
                        const ElectrodeParameters& graphite = parameters.negative;
                        ModelReport report{.name = parameters.name,
                                           .film_charge_ah = told.film_charge,
                                           .leaked_ah = told.leaked,
                                           .stored_ah = cell.charge() - told.film_charge - told.leaked};
                        report.charge_state_end = (told.negative - graphite.empty) / (graphite.full - graphite.empty);
                        report.electrochemistry =
                            ModelReport::Electrochemistry{.film_thickness_nm = told.film_thickness * 1e9,
                                                          .lowest_graphite = told.lowest_graphite,
                                                          .plated_ah = told.plated + told.dead,
                                                          .compared = parameters.compared,
                                                          .first_cycle_efficiency = cell.first_cycle_efficiency()};
                        return report;
                    }};
}

std::string set_name(protocol::Chemistry chemistry) {
    switch (chemistry) {
        case protocol::Chemistry::nmc_graphite: return "nmc-graphite-pouch-5ah";
        case protocol::Chemistry::nmc_graphite_siox: return "nmc-graphite-siox-cylindrical-5ah";
        case protocol::Chemistry::lfp_graphite: return "lfp-graphite-cylindrical-2ah";
        case protocol::Chemistry::other: break;
    }
    return "nmc-graphite-pouch-5ah";
}

Result<Modelled> model_of(const protocol::Protocol& protocol, Charge capacity, double ambient,
                          const RehearsalOptions& options) {
    if (options.cell) {
        return circuit_of(*options.cell, protocol.cell.state);
    }
    Result<ParticleParameters> set = options.set ? *options.set : particle_set(set_name(protocol.cell.chemistry));
    if (!set) {
        return tl::unexpected<Error>{set.error()};
    }
    const double rated = set->capacity;
    ParticleParameters scaled_set = scaled(std::move(*set), ampere_hours(capacity));
    if (scaled_set.capacity != rated) {
        scaled_set.name += ", made to " + print_number(scaled_set.capacity) + " Ah";
    }
    scaled_set.ambient = ambient;
    const protocol::Chemistry wanted = protocol.cell.chemistry;
    if (wanted == protocol::Chemistry::other) {
        scaled_set.name += options.set ? "" : ", for want of a better one";
    } else if (scaled_set.chemistry != protocol::word(wanted)) {
        scaled_set.name += ", not the protocol's " + std::string{protocol::word(wanted)};
    }
    return set_of(scaled_set, protocol.cell.state);
}

// 25 degC, or as near to it as the protocol's own start window allows: a protocol for a warm chamber is rehearsed in
// one.
double ambient_of(const protocol::Protocol& protocol) {
    Temperature ambient = 25_degC;
    const protocol::Range<Temperature>& window = protocol.start.temperature;
    const TemperatureDifference inside = 1'000_mK;
    if (window.min && ambient < *window.min) {
        ambient = Temperature{window.min->count + inside.count};
    }
    if (window.max && ambient > *window.max) {
        ambient = Temperature{window.max->count - inside.count};
    }
    return celsius(ambient);
}

StageOptions stage_options(const protocol::Protocol& protocol, const ChannelTraits& traits,
                           const RehearsalOptions& options) {
    StageOptions stage;
    stage.traits = traits;
    stage.seed = options.seed;
    stage.ambient = ambient_of(protocol);
    stage.faults = options.faults;
    if (options.noise) {
        stage.voltage_noise = volts(traits.voltage_accuracy) / 10.0;
        stage.current_noise = amperes(traits.current_accuracy) / 10.0;
        stage.temperature_noise = 0.02;
    }
    return stage;
}

class Rehearsal {
  public:
    Rehearsal(const engine::Plan& plan, Stage& stage, const RehearsalOptions& options, ledger::RunNumber number,
              RehearsalOutcome& outcome, double around)
        : plan_{plan},
          stage_{stage},
          options_{options},
          number_{number},
          outcome_{outcome},
          chamber_{around, options.chamber_ramp, chamber_min, chamber_max},
          around_{around},
          recorder_{plan, number, options.cell_id},
          run_{engine::new_run(plan, CellHistory{})} {
        wants_samples_ = options.keep_samples || options.ledger != nullptr;
        tick_.body = Tick{};
        sample_.body = Sample{};
    }

    // False when the ledger took no more.
    [[nodiscard]] bool run_to_end(const ledger::RunHeader& header) {
        write(header);
        Input start{.sequence = 0, .time = now_, .body = Command{CommandKind::start}};
        feed(start);
        while (goes_on()) {
            now_ = now_ + plan_.traits.period;
            follow_chamber();
            std::get<Sample>(sample_.body) = stage_.sample(now_);
            sample_.time = now_;
            feed(sample_);
            if (!engine::tick_is_idle(run_, outcome_.inputs + 1, now_)) {
                tick_.time = now_;
                feed(tick_);
            }
            if (run_.gathering && run_.state == RunState::resting) {
                Input gathered{.sequence = 0, .time = now_, .body = Gathered{}};  // it is all there is of its tray
                feed(gathered);
            }
            if (run_.state == RunState::asking) {
                ++outcome_.confirms;
                Input confirm{.sequence = 0, .time = now_, .body = Command{CommandKind::confirm}};
                feed(confirm);
            }
        }
        finish();
        return good_;
    }

  private:
    // Asks are answered; for anything else that waits there is no person here.
    [[nodiscard]] bool goes_on() const {
        return good_ && (engine::is_live(run_.state) || run_.state == RunState::asking);
    }

    [[nodiscard]] std::int64_t utc() const { return options_.created_utc + now_.count; }

    // In small steps: each makes the cell's equations anew.
    void follow_chamber() {
        constexpr double step = 0.01;  // K
        if (const double celsius = chamber_.at(now_); std::fabs(celsius - around_) >= step) {
            around_ = celsius;
            stage_.ambient(celsius, now_);
        }
    }

    void feed(Input& input) {
        input.sequence = ++outcome_.inputs;
        const engine::Decision decision = engine::advance(plan_, run_, input);
        if (options_.on_input) {
            options_.on_input(input, decision);
        }
        if (options_.ledger != nullptr) {
            tape_.add(input);
        }
        if (wants_samples_) {
            recorder_.saw(input);
        }
        if (records(decision)) {
            record(input, decision);
        }
        if (decision.apply_ambient) {
            chamber_.set(celsius(run_.ambient), now_);
        }
        if (decision.apply) {
            // What must be recorded first has been: a virtual clock stands still while the disk works.
            Input applied{.sequence = 0, .time = now_, .body = Applied{stage_.apply(decision.demand, now_)}};
            feed(applied);
        }
        if (decision.wants_test) {
            Input granted{.sequence = 0, .time = now_, .body = TestGrant{}};  // there is no neighbour
            feed(granted);
        }
    }

    // A kept sample that nobody takes need not be made.
    [[nodiscard]] bool records(const engine::Decision& decision) const {
        return wants_samples_ ? record::Recorder::has_records(decision) : decision.event_count > 0 || decision.commit;
    }

    void record(const Input& input, const engine::Decision& decision) {
        recorder_.took(run_, input, decision, utc(), [this](ledger::Record record) { put(std::move(record)); });
        if (options_.ledger != nullptr && (decision.commit || now_ - checkpoint_at_ >= checkpoint_every)) {
            save();
        }
    }

    void save() {
        checkpoint_at_ = now_;
        if (auto chunk = record::tape_chunk(number_, tape_, utc())) {
            write(std::move(*chunk));
        }
        for (ledger::Record& record : held_) {
            write(std::move(record));
        }
        held_.clear();
        write(record::checkpoint(number_, run_));
        if (good_) {
            options_.ledger->commit({});  // together, or the writer's own interval could part them
        }
    }

    void put(ledger::Record record) {
        if (std::holds_alternative<ledger::CellRecord>(record)) {
            return;  // a model's cell has no history that a bench should ever heed
        }
        if (auto* mark = std::get_if<ledger::MarkRecord>(&record)) {
            outcome_.run.marks.push_back(*mark);
        } else if (auto* visit = std::get_if<ledger::VisitRecord>(&record)) {
            outcome_.run.visits.push_back(*visit);
        } else if (auto* event = std::get_if<ledger::EventRecord>(&record)) {
            outcome_.run.events.push_back(*event);
        } else if (auto* sample = std::get_if<ledger::SampleRecord>(&record);
                   sample != nullptr && options_.keep_samples) {
            outcome_.samples.push_back(*sample);
        }
        // The tape goes first: a rehearsal that is killed leaves no sample or event that its tape does not hold.
        if (options_.ledger != nullptr) {
            held_.push_back(std::move(record));
        }
    }

    void write(ledger::Record record) {
        if (options_.ledger == nullptr || !good_) {
            return;
        }
        // The writer's queue is bounded and this clock is not: when it is full, wait for the disk.
        if (!options_.ledger->put(record)) {
            good_ = options_.ledger->flush().has_value() && options_.ledger->put(std::move(record));
        }
    }

    void finish() {
        outcome_.run.status = recorder_.status(run_);
        outcome_.run.margins = record::margins(number_, plan_, run_);
        if (options_.ledger != nullptr) {
            save();
            write(outcome_.run.status);
            write(outcome_.run.margins);
            good_ = options_.ledger->flush().has_value() && good_;
        }
    }

    const engine::Plan& plan_;
    Stage& stage_;
    const RehearsalOptions& options_;
    ledger::RunNumber number_;
    RehearsalOutcome& outcome_;
    Chamber chamber_;
    double around_;  // degC, as the stage was last told
    record::Recorder recorder_;
    engine::Run run_;
    ledger::TapeEncoder tape_;
    std::vector<ledger::Record> held_;  // until their inputs are handed over
    Time now_;
    Time checkpoint_at_;
    Input tick_, sample_;
    bool wants_samples_{false};
    bool good_{true};
};

}  // namespace

Result<RehearsalOutcome> rehearse(const protocol::Protocol& protocol, const std::string& text,
                                  const RehearsalOptions& options) {
    const Charge capacity = options.capacity.value_or(protocol.cell.capacity);
    const Result<engine::Plan> plan =
        engine::make_plan(protocol, capacity, options.traits.value_or(engine::bench_of_no_name(protocol)),
                          options.caps.value_or(engine::caps_of_no_name()));
    if (!plan) {
        return tl::unexpected<Error>{plan.error()};
    }
    Result<Modelled> model = model_of(protocol, capacity, ambient_of(protocol), options);
    if (!model) {
        return tl::unexpected<Error>{model.error()};
    }
    Stage stage{std::move(model->cell), stage_options(protocol, plan->traits, options)};

    RehearsalOutcome outcome;
    const ledger::RunNumber number = options.ledger != nullptr ? options.ledger->next_run() : 1;
    const record::RunIdentity identity{.run = number,
                                       .cell = options.cell_id,
                                       .channel = "rehearsal",
                                       .boot_id = "",
                                       .rehearsal = true,
                                       .created = {},
                                       .created_utc = options.created_utc};
    outcome.run.header = record::header(protocol, text, *plan, CellHistory{}, identity);
    Rehearsal rehearsal{*plan, stage, options, number, outcome, ambient_of(protocol)};
    if (!rehearsal.run_to_end(outcome.run.header)) {
        const ledger::WriterHealth health = options.ledger->health();
        return fail(Failure::cannot_write,
                    "the rehearsal could not be recorded: " +
                        (health.failure.empty() ? std::string{"the ledger takes no more"} : health.failure));
    }
    outcome.model = model->report();
    outcome.model.ambient_celsius = ambient_of(protocol);
    return outcome;
}

}  // namespace slowfilm::sim
