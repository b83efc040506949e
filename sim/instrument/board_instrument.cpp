#include "sim/instrument/board_instrument.hpp"

#include "daemon/core/text.hpp"

#include <limits>
#include <utility>
#include <vector>

namespace slowfilm::sim::instrument {

namespace {

namespace board = wire::board;

constexpr std::int64_t nano_in_micro = 1'000;
constexpr std::uint32_t other_kind = 99;

std::unique_ptr<Leads> make_leads(const BoardOptions& options, std::shared_ptr<Fixture> fixture, Leads*& out) {
    const double runaway = static_cast<double>(options.fitted.voltage_most) * 1e-6 * 1.1;
    auto leads = std::make_unique<Leads>(std::move(fixture), runaway, options.sensed);
    out = leads.get();
    return leads;
}

StageOptions stage_options(const BoardOptions& options) {
    StageOptions stage = options.stage;
    stage.traits.reports_ceiling = true;
    stage.traits.has_ambient = options.fitted.ambient;
    return stage;
}

std::uint32_t milliseconds(Time now) {
    return static_cast<std::uint32_t>(now.count / 1'000);
}

board::StageMode mode_of(StageMode mode) {
    switch (mode) {
        case StageMode::unknown:
        case StageMode::open: return board::StageMode::open;
        case StageMode::constant_current: return board::StageMode::constant_current;
        case StageMode::at_ceiling: return board::StageMode::at_ceiling;
        case StageMode::at_floor: return board::StageMode::at_floor;
        case StageMode::constant_voltage: return board::StageMode::constant_voltage;
    }
    return board::StageMode::open;
}

template <class Q>
board::Measure measured(const Reading<Q>& reading, std::int64_t divisor) {
    return {reading.value.count / divisor, reading.good()};
}

}  // namespace

BoardInstrument::BoardInstrument(const BoardOptions& options, std::shared_ptr<Fixture> fixture)
    : options_(options),
      leads_(nullptr),
      stage_(make_leads(options_, std::move(fixture), leads_), stage_options(options_)) {
    restart();
}

// The firmware calls these; `self` is this object, which outlives it.
board::Hardware BoardInstrument::hardware() {
    board::Hardware hardware{};
    hardware.self = this;
    hardware.open = [](void* self) { static_cast<BoardInstrument*>(self)->open(); };
    hardware.drive_current = [](void* self, std::int64_t current, std::int64_t ceiling, std::int64_t floor) {
        return static_cast<BoardInstrument*>(self)->drive(DriveCurrent{
            Current{current * nano_in_micro}, Voltage{ceiling * nano_in_micro}, Voltage{floor * nano_in_micro}});
    };
    hardware.hold_voltage = [](void* self, std::int64_t voltage, std::int64_t source, std::int64_t sink) {
        return static_cast<BoardInstrument*>(self)->drive(HoldVoltage{
            Voltage{voltage * nano_in_micro}, Current{source * nano_in_micro}, Current{sink * nano_in_micro}});
    };
    hardware.measure = [](void* self, board::Measured& into) { static_cast<BoardInstrument*>(self)->measure(into); };
    hardware.send = [](void* self, const char* bytes, std::size_t size) {
        static_cast<BoardInstrument*>(self)->answer_.append(bytes, size);
    };
    return hardware;
}

void BoardInstrument::restart() {
    board::Fitted fitted = options_.fitted;
    fitted.kind = other_ ? other_kind : fitted.kind;
    failed_ = false;
    board_.emplace(hardware(), fitted, ++boot_);
    board_->tick(milliseconds(now_));
}

std::string BoardInstrument::hear(char byte, Time now) {
    now_ = now;
    answer_.clear();
    board_->on_byte(byte);
    return std::exchange(answer_, {});
}

void BoardInstrument::tick(Time now) {
    now_ = now;
    board_->tick(milliseconds(now));
}

// --- What is soldered around it --------------------------------------------------------------------------------------

void BoardInstrument::connect() {
    leads_->contactor(!options_.fitted.contactor || contactor_closed_ || welded_, seconds(now_ - Time{}));
}

void BoardInstrument::open() {
    if (!is_open(demand_) && ignored_ > 0) {
        --ignored_;
        return;
    }
    contactor_closed_ = false;
    demand_ = Open{};
    connect();
    (void)stage_.apply(demand_, now_);
}

bool BoardInstrument::drive(const Demand& demand) {
    contactor_closed_ = true;
    demand_ = demand;
    connect();
    (void)stage_.apply(demand, now_);
    return !failed_;
}

void BoardInstrument::measure(board::Measured& into) {
    const Sample sample = stage_.sample(now_);
    into.voltage = measured(sample.voltage, nano_in_micro);
    into.current = measured(sample.current, nano_in_micro);
    into.temperature = measured(sample.temperature, 1);
    into.ambient = measured(sample.ambient, 1);
    const double drop = amperes(sample.current.value) * options_.stage.lead_resistance;
    into.terminals = {static_cast<std::int64_t>((leads_->terminals(seconds(now_ - Time{})) + drop) * 1e6), true};
    into.mode = mode_of(sample.mode);
    if (options_.fitted.contactor) {
        const bool closed = contactor_closed_ || welded_;
        into.contactor = closed && !contactor_closed_ ? board::Contactor::welded
                         : closed                     ? board::Contactor::closed
                                                      : board::Contactor::open;
    }
    into.stage_failed = failed_;
    if (saturated_) {
        into.voltage = {options_.fitted.voltage_most, true};
        into.current = {options_.fitted.source_most, true};
    }
    if (over_range_) {
        into.voltage.good = into.current.good = false;
    }
}

// --- Faults ----------------------------------------------------------------------------------------------------------

// False where it is none of the stage's or the leads'.
bool BoardInstrument::wire_fault(const Fault& fault, bool on) {
    const double t = seconds(now_ - Time{});
    if (fault.kind == FaultKind::output_stuck_on) {
        stuck_ = on;
    } else if (fault.kind == FaultKind::stale) {
        stale_ = on;
    } else if (fault.kind == FaultKind::thermometer) {
        thermometer_ =
            on ? std::optional{fault.value.value_or(std::numeric_limits<double>::quiet_NaN())} : std::nullopt;
    } else if (fault.kind == FaultKind::sense_swapped || fault.kind == FaultKind::sense_lifted) {
        const Sense broken = fault.kind == FaultKind::sense_swapped ? Sense::swapped : Sense::lifted;
        leads_->sense(on ? broken : Sense::right, t);
        return true;
    } else {
        return false;
    }
    std::vector<StageFault> faults;
    if (stuck_) {
        faults.push_back({.kind = StageFaultKind::stuck_on});
    }
    if (stale_) {
        faults.push_back({.kind = StageFaultKind::frozen});
    }
    if (thermometer_) {
        faults.push_back({.kind = StageFaultKind::thermometer, .value = *thermometer_});
    }
    stage_.set_faults(std::move(faults));
    return true;
}

Result<void, std::string> BoardInstrument::set_fault(const Fault& fault, bool on, Time now) {
    now_ = now;
    if (wire_fault(fault, on)) {
        return {};
    }
    if (fault.kind == FaultKind::rebooted) {
        restart();
    } else if (fault.kind == FaultKind::wrong_identity) {
        other_ = on;  // seen from its next start
    } else if (fault.kind == FaultKind::saturated) {
        saturated_ = on;
    } else if (fault.kind == FaultKind::over_range) {
        over_range_ = on;
    } else if (fault.kind == FaultKind::protection_opened) {
        failed_ = true;
        (void)stage_.apply(Open{}, now_);
    } else if (fault.kind == FaultKind::off_ignored) {
        ignored_ = !on           ? 0
                   : fault.value ? static_cast<std::int64_t>(*fault.value)
                                 : std::numeric_limits<std::int64_t>::max();
    } else if (fault.kind == FaultKind::contactor_welded && options_.fitted.contactor) {
        welded_ = on;
        connect();
    } else {
        return tl::unexpected<std::string>("a channel board like this cannot have that");
    }
    return {};
}

std::string BoardInstrument::describe(Time now) {
    now_ = now;
    const Sample sample = stage_.sample(now);
    return std::string{"channel board, started "} + std::to_string(boot_) + " times, output " +
           (board_->closed() ? "closed" : "open") + ", flags " + std::to_string(board_->flags()) + ", reads " +
           print_fixed(volts(sample.voltage.value), 4) + " V " + print_fixed(amperes(sample.current.value), 4) + " A " +
           print_fixed(celsius(sample.temperature.value), 2) + " degC\n";
}

}  // namespace slowfilm::sim::instrument
