// What the parts of the checker share. Private to check*.cpp.
#pragma once

#include "daemon/core/diagnostic.hpp"
#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/check.hpp"
#include "daemon/protocol/protocol.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <algorithm>
#include <cstdint>
#include <initializer_list>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::protocol {

// Notes complaints of meaning. One is dropped where the grammar has refused the same value: a second complaint about
// what was not understood would be noise.
class Judge {
  public:
    Judge(const Protocol& protocol, const Places& places, const Diagnostics& grammar);

    void error(std::string_view path, std::string message);
    void warning(std::string_view path, std::string message);
    // Dropped too where any complaint of meaning stands already; for what is judged once a pass.
    void error_once(std::string_view path, std::string message);

    [[nodiscard]] bool written(std::string_view path) const { return places_.knows(path); }
    // Written, but refused by the grammar, so that nothing may be concluded from its absence.
    [[nodiscard]] bool refused(std::string_view path, bool has_value) const { return !has_value && written(path); }
    // The first of `step.PATH.KEY` that is written, else the step's header.
    [[nodiscard]] std::string key_of(const Step& step, std::initializer_list<std::string_view> keys) const;

    // The grammar has refused something in this step, so what it does is not known for certain.
    [[nodiscard]] bool unclear(const Step& step) const;
    [[nodiscard]] bool any_step_unclear() const { return !unclear_.empty(); }
    [[nodiscard]] bool state_known() const { return state_known_; }

    [[nodiscard]] Current current(const CurrentOrRate& value) const {
        return current_of(value, protocol.cell.capacity);
    }
    // What trips in this step: its own limit, which is narrower, or that of [limits].
    template <class V>
    [[nodiscard]] std::optional<V> trip(const Step& step, Limit<V> Limits::*limit) const {
        const bool own = step.limits && ((*step.limits).*limit).trip;
        return own ? ((*step.limits).*limit).trip : (limits.*limit).trip;
    }
    [[nodiscard]] Charge charge(const ChargeOrRatio& value) const { return charge_of(value, protocol.cell.capacity); }

    const Protocol& protocol;
    const Cell& cell;
    const Limits limits;  // with defaults
    std::vector<Diagnostic> found;
    std::size_t left_out{0};  // a hundred of each severity are enough for a person

  private:
    [[nodiscard]] bool refused_at(Place place) const;
    void find_unclear();
    void note(Severity severity, std::string_view path, std::string message);

    const Places& places_;
    const Diagnostics& grammar_;
    std::vector<Place> unclear_;  // headers of such steps, sorted
    bool state_known_{false};
};

void check_cell(Judge& judge);     // [cell], [start], [keep], [interruption]
void check_limits(Judge& judge);   // [limits]
void check_reach(Judge& judge);    // limits too wide to guard anything, or too narrow for what is sound
void check_steps(Judge& judge);    // each step by itself: currents, voltages, times, amounts
void check_drive(Judge& judge);    // ramps and pulses
void check_ends(Judge& judge);     // conditions, good_end, not_before
void check_narrow(Judge& judge);   // a step's own limits
void check_figures(Judge& judge);  // only_if, a repeat's figure, of measured, together, ambient
void check_order(Judge& judge);    // each step by what stands before it
void check_accept(Judge& judge);   // [accept]
void check_habits(Judge& judge);   // what the trade does otherwise: warnings

// `"4.2 V"`, as it would stand in the file.
template <class V>
[[nodiscard]] std::string quoted(const V& value) {
    return "\"" + print(value) + "\"";
}

// `"C/10" (500 mA)`; amperes alone where amperes are written.
[[nodiscard]] std::string quoted_with_amperes(const CurrentOrRate& value, Charge capacity);
// `"35 %" (1.75 Ah)`
[[nodiscard]] std::string quoted_with_charge(const ChargeOrRatio& value, Charge capacity);

[[nodiscard]] std::string path_of(const Step& step, std::string_view key = {});

// Why no run of the protocol can define the figure: "no step ends a cycle"; "" where one can.
[[nodiscard]] std::string why_never_defined(const Judge& judge, FigureId figure);

// What a current must be, whatever the step is; complains at `path`.
void check_current_sense(Judge& judge, const Step& step, const CurrentOrRate& value, const std::string& path);

// The most that the step's own current can move in the time it has, where both are of the rated capacity, or both of
// the measured one; nothing where it has no cap in time. Before `not_before` its time does not end it.
[[nodiscard]] std::optional<Charge> moved_in_time(const Judge& judge, const Step& step, bool measured);

// Which way current may flow in a step at all.
[[nodiscard]] bool may_charge(const Step& step);
[[nodiscard]] bool may_discharge(const Step& step);

// Whether the step ends a cycle: because it says so, or as a discharge by voltage to window.min + 0.3 V or below.
[[nodiscard]] bool ends_cycle(const Step& step, const Cell& cell);

}  // namespace slowfilm::protocol
