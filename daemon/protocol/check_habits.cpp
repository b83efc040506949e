// Habits of the trade, as warnings. None comes from a standard unless its line says so: each is common practice, told
// from memory, and a protocol may break it with good reason. Every sentence says so, for a person has to weigh it.
#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/check_judge.hpp"

#include <algorithm>

namespace slowfilm::protocol {
namespace {

using namespace literals;

constexpr Rate first_charge_fast{1, 5};  // common practice: C/20 to C/10 until the film has closed
constexpr Rate hot_charge_fast{1, 10};   // common practice: above 45 degC (JEITA's upper band) the current is reduced
constexpr Temperature hot{318'150};      // 45 degC, the end of IEC 62133-2's standard charge range
constexpr Ratio air_most{300'000};       // UN 3480, packing instruction 965: at most 30 % of rated by air
constexpr Ratio first_charge_nmc{1'150'000};  // common practice: film and rated-by-discharge together
constexpr Ratio first_charge_lfp{1'100'000};

constexpr std::string_view practice = " (common practice)";

bool fresh(const Judge& j) {
    return j.state_known() && j.cell.state != CellState::formed;
}

// A resistance is taken from a cell at rest: 1 to 4 h after a charge in IEC 61960-3 (from memory).
class RestsBeforePulses {
  public:
    explicit RestsBeforePulses(Judge& judge) : j_(judge) {}
    void walk(const std::vector<Step>& steps) {
        for (const Step& step : steps) {
            if (step.kind == StepKind::pulse && !rested_) {
                j_.warning(path_of(step, "do"),
                           label(step) +
                               " comes without a rest right before it, and a resistance is taken from a cell at "
                               "rest; a rest of 1 h or more would be right" +
                               std::string(practice));
            }
            if (step.kind == StepKind::repeat) {
                walk(step.steps);
                if (step.times > 1) {
                    walk(step.steps);  // the first step of a later pass stands after the last
                }
            } else if (step.kind != StepKind::ask) {  // which may be answered at once
                rested_ = step.kind == StepKind::rest;
            }
        }
    }

  private:
    Judge& j_;
    bool rested_{true};  // a cell that starts has come from the shelf
};

// The highest current that the step itself asks into the cell, and where it is written; nothing where none is.
struct Asked {
    CurrentOrRate current;
    std::string path;
};

std::optional<Asked> most_charged(const Judge& j, const Step& step) {
    std::optional<Asked> most;
    const auto take = [&](const CurrentOrRate& current, std::string path) {
        if (j.current(current).count > 0 && (!most || j.current(current) > j.current(most->current))) {
            most = Asked{current, std::move(path)};
        }
    };
    if (step.current && may_charge(step)) {
        take(step.current->value, j.key_of(step, {"rate", "current", "rate_max", "current_max"}));
    }
    if (const auto& ramp = step.current_ramp) {
        take(ramp->from.value_or(ramp->to), path_of(step, "current.from"));
        take(ramp->to, path_of(step, "current.to"));
    }
    for (std::size_t i = 0; i < step.levels.size(); ++i) {
        if (step.levels[i].charges) {
            take(step.levels[i].current.value, path_of(step, "levels." + std::to_string(i + 1) + ".charge"));
        }
    }
    return most;
}

void warn_of_no_climb(Judge& j) {
    if (j.state_known() && j.cell.state == CellState::pristine && !j.written("limits.climb")) {
        j.warning("limits",
                  "a pristine cell is charged without a 'climb' gate, the only guard that finds a shorted or "
                  "reversed one within hours; climb = [ { by = \"8 %\", above = \"3.0 V\" } ] or what fits "
                  "would be right" +
                      std::string(practice));
    }
}

// The first step that charges, and whether a slower stage than C/5 stood before it.
void warn_of_fast_first_charge(Judge& j) {
    if (!fresh(j) || j.any_step_unclear()) {
        return;
    }
    const Current slow = current_of(first_charge_fast, j.cell.capacity);
    bool begun = false;
    each_step(j.protocol.steps, [&](const Step& step, std::uint64_t) {
        if (begun || !may_charge(step)) {
            return;
        }
        begun = true;
        if (const std::optional<Asked> asked = most_charged(j, step); asked && j.current(asked->current) > slow) {
            j.warning(
                asked->path,
                label(step) + " begins the first charge at " + quoted_with_amperes(asked->current, j.cell.capacity) +
                    ", above C/5, with no slower stage before it, and the film grows coarse; C/20 to C/10 until it "
                    "has closed would be right" +
                    std::string(practice));
        }
    });
}

void warn_of_no_degassing(Judge& j) {
    if (!fresh(j) || j.cell.format != CellFormat::pouch || j.any_step_unclear()) {
        return;
    }
    bool asks = false;
    each_step(j.protocol.steps, [&](const Step& step, std::uint64_t) { asks = asks || step.kind == StepKind::ask; });
    if (!asks) {
        j.warning("cell.format",
                  "a pouch cell gets its first charge and no step asks a person to let the gas out; an "
                  "'ask' after the film stage would be right" +
                      std::string(practice));
    }
}

void warn_of_hold_by_time(Judge& j, const Step& step) {
    if (step.kind == StepKind::hold && step.ends.by_time_alone() && !j.unclear(step)) {
        j.warning(path_of(step, "ends"), label(step) +
                                             " ends by time alone, so that each cell stops at another charge; a "
                                             "taper beside it, such as current = \"C/50\", would be right" +
                                             std::string(practice));
    }
}

void warn_of_small_caps(Judge& j) {
    if (!fresh(j) || j.cell.chemistry == Chemistry::other) {
        return;
    }
    const Ratio needed = j.cell.chemistry == Chemistry::lfp_graphite ? first_charge_lfp : first_charge_nmc;
    const Charge least = charge_of(needed, j.cell.capacity);
    for (const auto& [path, cap] : {std::pair{"limits.charge_leg_max.first", j.protocol.limits.charge_leg_first},
                                    {"limits.net_max", j.protocol.limits.net_max}}) {
        if (cap && j.charge(*cap) < least) {
            j.warning(path, quoted_with_charge(*cap, j.cell.capacity) + " is less than a first charge of " +
                                std::string(word(j.cell.chemistry)) + " needs, and sound cells would trip; at least " +
                                quoted(needed) + " would be right" + std::string(practice));
        }
    }
}

void warn_of_hot_charge(Judge& j, const Step& step) {
    const bool own = step.limits && step.limits->charge_temperature.max;
    const auto& most = own ? step.limits->charge_temperature.max : j.limits.charge_temperature.max;
    const std::optional<Asked> asked = most_charged(j, step);
    if (most && *most > hot && asked && j.current(asked->current) > current_of(hot_charge_fast, j.cell.capacity)) {
        j.warning(asked->path,
                  label(step) + " may charge at " + quoted_with_amperes(asked->current, j.cell.capacity) + " up to " +
                      quoted(*most) +
                      ", and above 45 degC a charge is C/10 at most; a lower current, or charge_temperature.max of "
                      "\"45 degC\" in this step's limits, would be right" +
                      std::string(practice));
    }
}

const Step* step_named(const Judge& j, const std::string& wanted) {
    const Step* found = nullptr;
    each_step(j.protocol.steps, [&](const Step& step, std::uint64_t) {
        found = step.name == wanted || step.path == wanted ? &step : found;
    });
    return found;
}

void warn_of_k_value(Judge& j) {
    for (const AcceptRule& rule : j.protocol.accept.rules) {
        if (rule.figure != "k_value") {
            continue;
        }
        const Step* const step = rule.step ? step_named(j, *rule.step) : nullptr;
        if (step == nullptr || step->kind != StepKind::rest) {
            j.warning("accept.k_value",
                      "a K value is how fast the open-circuit voltage falls, and this one names no rest; "
                      "step = \"...\" of a rest of days would be right" +
                          std::string(practice));
        }
        if (!rule.from || !rule.to) {
            j.warning("accept.k_value",
                      "a K value is between two times, and this one does not name them; from and to, two "
                      "of that rest's keep.at, would be right" +
                          std::string(practice));
        }
    }
}

// How much of rated the cell may hold at the end, where that is certain: a discharge by voltage to the bottom, and what
// is charged after it.
class LastCharge {
  public:
    explicit LastCharge(const Judge& judge) : j_(judge) {}
    void walk(const std::vector<Step>& steps) {
        for (const Step& step : steps) {
            Ends by_voltage;
            by_voltage.voltage = step.ends.voltage;
            const bool sure = !step.only_if && step.on_overrun == OnOverrun::stop &&
                              (step.ends == by_voltage || step.good_end == GoodEnd::voltage);
            if (step.kind == StepKind::repeat) {
                for (std::uint32_t pass = 0; pass < std::min(step.times, 2U); ++pass) {
                    walk(step.steps);
                }
            } else if (step.kind == StepKind::discharge && sure && ends_cycle(step, j_.cell) && step.ends.voltage) {
                most_ = Charge{};
            } else if (step.kind == StepKind::charge && step.ends.amount && !step.not_before) {
                most_ = most_ ? std::optional{sum(*most_, most_of(*step.ends.amount))} : most_;
            } else if (may_charge(step)) {
                most_.reset();
            }
        }
    }
    [[nodiscard]] bool within(Ratio share) const { return most_ && *most_ <= charge_of(share, j_.cell.capacity); }

  private:
    // A rating is what every cell gives at least, and some give a tenth more (common practice).
    [[nodiscard]] Charge most_of(const StepCharge& amount) const {
        const Charge rated = j_.charge(amount.value);
        return amount.measured ? Charge{saturated(static_cast<Wide>(rated.count) * 11 / 10)} : rated;
    }
    const Judge& j_;
    std::optional<Charge> most_;
};

void warn_of_shipping(Judge& j) {
    if (j.protocol.ship != Ship::air || j.any_step_unclear()) {
        return;
    }
    LastCharge last(j);
    last.walk(j.protocol.steps);
    if (!last.within(air_most)) {
        j.warning(
            "after.ship",
            "cells alone go by air at 30 % of rated or less (UN 3480, packing instruction 965), and the "
            "steps do not bring this one there for certain; empty it by voltage and charge \"30 %\", or \"27 % of "
            "measured\", at most at the end" +
                std::string(practice));
    }
    if (fresh(j)) {
        j.warning("after.ship",
                  "prototypes go by air only with the competent authority's approval (special provision A88), "
                  "whatever their charge; ship = \"road\" or \"sea\", unless the type has passed UN 38.3" +
                      std::string(practice));
    }
}

}  // namespace

void check_habits(Judge& j) {
    RestsBeforePulses(j).walk(j.protocol.steps);
    warn_of_no_climb(j);
    warn_of_fast_first_charge(j);
    warn_of_no_degassing(j);
    warn_of_small_caps(j);
    each_step(j.protocol.steps, [&](const Step& step, std::uint64_t) {
        warn_of_hold_by_time(j, step);
        warn_of_hot_charge(j, step);
    });
    warn_of_k_value(j);
    warn_of_shipping(j);
}

}  // namespace slowfilm::protocol
