// A run's state as bytes: one list of fields serves writing and reading, so that neither can forget one.
#include "daemon/engine/run.hpp"

#include <cstring>
#include <type_traits>

namespace slowfilm::engine {

namespace {

constexpr std::uint8_t format_version = 3;

class Out {
  public:
    static constexpr bool reading = false;
    void scalar(std::uint64_t bits, std::size_t size) {
        for (std::size_t i = 0; i < size; ++i) {
            bytes.push_back(static_cast<char>(bits >> (8 * i) & 0xFFU));
        }
    }
    template <class T>
    void value(const T& v) {
        if constexpr (std::is_same_v<T, double>) {
            std::uint64_t bits = 0;
            std::memcpy(&bits, &v, sizeof bits);
            scalar(bits, sizeof bits);
        } else if constexpr (std::is_enum_v<T>) {
            scalar(static_cast<std::uint64_t>(v), sizeof v);
        } else {
            scalar(static_cast<std::uint64_t>(v), sizeof v);
        }
    }
    std::string bytes;
};

class In {
  public:
    static constexpr bool reading = true;
    explicit In(std::string_view bytes) : rest_{bytes} {}
    std::uint64_t scalar(std::size_t size) {
        if (rest_.size() < size) {
            good_ = false;
            return 0;
        }
        std::uint64_t bits = 0;
        for (std::size_t i = 0; i < size; ++i) {
            bits |= static_cast<std::uint64_t>(static_cast<unsigned char>(rest_[i])) << (8 * i);
        }
        rest_.remove_prefix(size);
        return bits;
    }
    template <class T>
    void value(T& v) {
        if constexpr (std::is_same_v<T, double>) {
            const std::uint64_t bits = scalar(sizeof v);
            std::memcpy(&v, &bits, sizeof v);
        } else if constexpr (std::is_same_v<T, bool>) {
            const std::uint64_t bits = scalar(1);
            good_ = good_ && bits <= 1;
            v = bits == 1;
        } else {
            v = static_cast<T>(scalar(sizeof v));
        }
    }
    // An enumerator beyond the last one is damage, not a value.
    template <class E>
    void bound(E v, E last) {
        good_ = good_ && v <= last;
    }
    void spoil() { good_ = false; }
    [[nodiscard]] bool good() const { return good_ && rest_.empty(); }

  private:
    std::string_view rest_;
    bool good_{true};
};

template <class Io, class E>
void enumeration(Io& io, E& v, E last) {
    io.value(v);
    if constexpr (Io::reading) {
        io.bound(v, last);
    }
}

template <class Io, Dimension D>
void quantity(Io& io, Quantity<D>& q) {
    io.value(q.count);
}

template <class Io>
void moment(Io& io, Time& t) {
    io.value(t.count);
}

template <class Io>
void charge_count(Io& io, ChargeCount& c) {
    quantity(io, c.whole);
    io.value(c.rest);
}

template <class Io, class Q>
void reading(Io& io, Reading<Q>& r) {
    moment(io, r.time);
    quantity(io, r.value);
    enumeration(io, r.quality, Quality::good);
}

template <class Io>
void sample(Io& io, Sample& s) {
    reading(io, s.voltage);
    reading(io, s.terminals);
    reading(io, s.current);
    reading(io, s.temperature);
    reading(io, s.ambient);
    enumeration(io, s.mode, StageMode::constant_voltage);
    io.value(s.raw_hash);
}

template <class Io>
void demand(Io& io, Demand& d) {
    auto kind = static_cast<std::uint8_t>(d.index());
    io.value(kind);
    if constexpr (Io::reading) {
        if (kind == 0) {
            d = Open{};
        } else if (kind == 1) {
            d = DriveCurrent{};
        } else if (kind == 2) {
            d = HoldVoltage{};
        } else {
            io.spoil();
        }
    }
    if (auto* drive = std::get_if<DriveCurrent>(&d)) {
        quantity(io, drive->current);
        quantity(io, drive->ceiling);
        quantity(io, drive->floor);
    } else if (auto* hold = std::get_if<HoldVoltage>(&d)) {
        quantity(io, hold->voltage);
        quantity(io, hold->source_max);
        quantity(io, hold->sink_max);
    }
}

template <class Io>
void history(Io& io, CellHistory& h) {
    enumeration(io, h.furthest, CellState::formed);
    io.value(h.known);
    io.value(h.armed);
    io.value(h.quarantined);
    io.value(h.first_leg_over);
    quantity(io, h.leg);
    quantity(io, h.leg_unseen);
    quantity(io, h.net);
    quantity(io, h.net_unseen);
    quantity(io, h.highest);
    quantity(io, h.measured);
    moment(io, h.low_since);
}

template <class Io>
void totals(Io& io, VisitTotals& t) {
    io.value(t.visit);
    io.value(t.step);
    for (auto& pass : t.pass) {
        io.value(pass);
    }
    io.value(t.cycle);
    io.value(t.ends_cycle);
    moment(io, t.started);
    moment(io, t.ended);
    charge_count(io, t.charge_in);
    charge_count(io, t.charge_out);
    io.value(t.energy_in);
    io.value(t.energy_out);
    quantity(io, t.net_at_start);
    quantity(io, t.voltage_start);
    quantity(io, t.voltage_end);
    quantity(io, t.current_end);
    quantity(io, t.temperature_max);
    io.value(t.voltage_seen);
    io.value(t.temperature_seen);
    enumeration(io, t.ended_by, EndReason::stopped);
    quantity(io, t.resistance);
    enumeration(io, t.no_resistance, NoResistance::no_change);
}

template <class Io, class Q>
void median(Io& io, MedianOfThree<Q>& m) {
    quantity(io, m.before[0]);
    quantity(io, m.before[1]);
    io.value(m.seen);
}

template <class Io>
void guards(Io& io, GuardState& g) {
    for (GuardFill& fill : g.fill) {
        quantity(io, fill.out_for);
        io.value(fill.samples);
        io.value(fill.warned);
        io.value(fill.closest);
        io.value(fill.margin);
        moment(io, fill.closest_at);
    }
    io.value(g.out);
    io.value(g.filled);
    io.value(g.fired);
    io.value(g.leapt);
    quantity(io, g.leapt_from);
    moment(io, g.voltage_fresh);
    moment(io, g.current_fresh);
    moment(io, g.temperature_fresh);
    moment(io, g.ambient_fresh);
    for (std::size_t i = 0; i < SlopeWindow::size; ++i) {
        moment(io, g.slope.at[i]);
        quantity(io, g.slope.rise[i]);
        io.value(g.slope.slope[i]);
    }
    io.value(g.slope.filled);
    io.value(g.slope.newest);
    median(io, g.slope.median);
    io.value(g.slope.lasting);
    if constexpr (Io::reading) {
        if (g.slope.filled > SlopeWindow::size || g.slope.newest >= SlopeWindow::size) {
            io.spoil();
        }
    }
    moment(io, g.current_stopped);
    io.value(g.current_flows);
    quantity(io, g.lost_from);
    quantity(io, g.highest_charging);
    io.value(g.highest_known);
    quantity(io, g.jump_from);
    io.value(g.jump_known);
    quantity(io, g.voltage_step);
    quantity(io, g.settles_from);
    moment(io, g.settles_since);
    quantity(io, g.stuck_voltage);
    quantity(io, g.stuck_charge);
    io.value(g.stuck_known);
    quantity(io, g.stuck_temperature);
    moment(io, g.stuck_temperature_at);
    io.value(g.stuck_temperature_said);
    quantity(io, g.surroundings);
    quantity(io, g.warm_from);
    moment(io, g.surroundings_at);
    io.value(g.surroundings_known);
    median(io, g.ambient_median);
    quantity(io, g.ambient);
    io.value(g.bad_readings);
}

template <class Io>
void opening(Io& io, Opening& o) {
    io.value(o.wanted);
    io.value(o.verified);
    io.value(o.escalated);
    moment(io, o.asked);
    moment(io, o.sent);
    moment(io, o.told);
    io.value(o.times);
}

template <class Io>
void mark(Io& io, Mark& m) {
    moment(io, m.time);
    quantity(io, m.at);
    quantity(io, m.mean);
    quantity(io, m.deviation);
    quantity(io, m.temperature);
    io.value(m.readings);
    io.value(m.of_run);
    io.value(m.temperature_seen);
}

template <class Io>
void mark_sum(Io& io, MarkSum& m) {
    quantity(io, m.first);
    io.value(m.sum);
    io.value(m.squares);
    io.value(m.temperature_sum);
    io.value(m.readings);
    io.value(m.temperatures);
    io.value(m.next);
}

template <class Io>
void figure(Io& io, FigureValue& f) {
    io.value(f.value);
    io.value(f.defined);
}

// What the step under way needs besides its place: goals, shape, waiting for others, what has settled.
template <class Io>
void step_state(Io& io, Run& r) {
    demand(io, r.goals.demand);
    quantity(io, r.goals.end_current);
    quantity(io, r.goals.end_amount);
    quantity(io, r.goals.end_net);
    quantity(io, r.goals.at_most_amount);
    io.value(r.shape.from);
    quantity(io, r.shape.done);
    io.value(r.shape.level);
    quantity(io, r.shape.rest_left);
    moment(io, r.shape.switched);
    quantity(io, r.shape.before_voltage);
    quantity(io, r.shape.before_current);
    io.value(r.shape.before_known);
    enumeration(io, r.shape.flaw, NoResistance::no_change);
    io.value(r.gathering);
    moment(io, r.settle.since);
    quantity(io, r.settle.first);
    for (std::size_t i = 0; i < 2; ++i) {
        io.value(r.settle.sum[i]);
        io.value(r.settle.count[i]);
    }
    io.value(r.settle.begun);
    quantity(io, r.temperature_for);
}

template <class Io>
void figures(Io& io, Run& r) {
    for (FigureValue& value : r.figures) {
        figure(io, value);
    }
    for (FigureValue& value : r.pass_figure) {
        figure(io, value);
    }
    quantity(io, r.cycle_in);
    quantity(io, r.cycle_out);
    io.value(r.cycle_energy_in);
    io.value(r.cycle_energy_out);
    io.value(r.cycle_whole);
    io.value(r.first_cycle_known);
    quantity(io, r.discharging);
    for (Mark& each : r.marks) {
        mark(io, each);
    }
    io.value(r.mark_count);
    if constexpr (Io::reading) {
        if (r.mark_count > r.marks.size()) {
            io.spoil();
        }
    }
    mark(io, r.last_mark);
    mark_sum(io, r.step_mark);
    mark_sum(io, r.run_mark);
    quantity(io, r.ambient);
    io.value(r.ambient_set);
}

template <class Io>
void test_state(Io& io, Run& r) {
    quantity(io, r.same_cell.voltage);
    quantity(io, r.same_cell.current);
    io.value(r.same_cell.known);
    io.value(r.same_cell.discharged);
    io.value(r.in_hand);
    moment(io, r.halted);
    enumeration(io, r.test.phase, TestPhase::passed);
    moment(io, r.test.since);
    quantity(io, r.test.before);
    quantity(io, r.test.during);
    quantity(io, r.test.current);
}

template <class Io>
void place_in_protocol(Io& io, Run& r) {
    io.value(r.begun);
    io.value(r.step);
    io.value(r.visit);
    io.value(r.visited);
    io.value(r.in_visit);
    io.value(r.underway);
    for (auto& pass : r.pass) {
        io.value(pass);
    }
    for (auto& time : r.repeat_time) {
        quantity(io, time);
    }
    io.value(r.cycle);
    totals(io, r.totals);
    totals(io, r.last_visit);
    totals(io, r.visit_before_last);
    quantity(io, r.visit_time);
    quantity(io, r.taper_time);
    for (auto& bits : r.already_so) {
        io.value(bits);
    }
}

template <class Io>
void accounts(Io& io, Run& r) {
    charge_count(io, r.net);
    charge_count(io, r.leg_rest);
    charge_count(io, r.discharged);
    quantity(io, r.uncertain);
    quantity(io, r.uncertain_visit);
    moment(io, r.charge_mark);
    quantity(io, r.charge_last);
    io.value(r.charge_running);
    io.value(r.charge_edge);
    demand(io, r.demand);
    moment(io, r.demand_at);
    demand(io, r.applied);
    moment(io, r.applied_at);
    io.value(r.applied_known);
    io.value(r.taken);
    sample(io, r.last);
    io.value(r.sample_sequence);
    moment(io, r.last_sample);
    moment(io, r.kept_at);
    sample(io, r.kept);
    io.value(r.kept_any);
}

template <class Io>
void fields(Io& io, Run& r) {
    enumeration(io, r.state, RunState::done);
    enumeration(io, r.wait, WaitReason::moved);
    enumeration(io, r.tripped_by, GuardId::record_lost);
    enumeration(io, r.trip_class, TripClass::channel);
    io.value(r.idle_said);
    io.value(r.low_said);
    io.value(r.sequence);
    moment(io, r.now);
    moment(io, r.started);
    quantity(io, r.aside);
    history(io, r.history);
    place_in_protocol(io, r);
    step_state(io, r);
    figures(io, r);
    accounts(io, r);
    moment(io, r.checking_since);
    enumeration(io, r.window, StartWindow::gap);
    enumeration(io, r.check_fault, ConnectionFault::other_cell);
    io.value(r.check_count);
    test_state(io, r);
    quantity(io, r.gaps);
    io.value(r.gap_count);
    quantity(io, r.voltage_before_gap);
    guards(io, r.guards);
    opening(io, r.opening);
}

}  // namespace

std::string serialise(const Run& run) {
    Out out;
    out.value(format_version);
    Run copy = run;
    fields(out, copy);
    return std::move(out.bytes);
}

Result<Run> restore(std::string_view bytes) {
    if (bytes.empty() || static_cast<std::uint8_t>(bytes.front()) != format_version) {
        return fail(Failure::bad_data, "the run's state was written by another version of slowfilm and cannot be read");
    }
    In in{bytes.substr(1)};
    Run run;
    fields(in, run);
    if (!in.good()) {
        return fail(Failure::bad_data,
                    "the run's state is damaged: it is too short, too long, or holds impossible values");
    }
    return run;
}

}  // namespace slowfilm::engine
