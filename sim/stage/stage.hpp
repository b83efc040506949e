// The power stage between the engine's demands and a cell: its range, resolution, errors, noise, delay, what "off" is,
// its thermometers, and the faults it can have. Doubles become whole numbers here.
#pragma once

#include "daemon/core/demand.hpp"
#include "daemon/core/result.hpp"
#include "daemon/core/sample.hpp"
#include "daemon/core/traits.hpp"
#include "sim/cell/cell.hpp"

#include <cstdint>
#include <memory>
#include <vector>

namespace slowfilm::sim {

enum class StageFaultKind : std::uint8_t {
    ignores_open,  // acknowledges the first `count` demands to open while it drives, and does nothing
    stuck_on,      // open has no effect, the last current goes on
    silent,        // no sample, no answer
    frozen,        // the reading before it, again and again
    thermometer,   // reads `value` degC whatever the cell does; NaN: an open sensor, read as bad
    bad_voltage,   // one voltage in `count` is not a number
};

// In force from `from` to before `to`, counted from when the cell was loaded.
struct StageFault {
    StageFaultKind kind{StageFaultKind::silent};
    Duration from{0};
    Duration to{INT64_MAX};
    std::uint32_t count{1};
    double value{0.0};
};

// A two-quadrant bench channel for one cell, as it is common: 5 A, -5..6 V, 1 s.
[[nodiscard]] ChannelTraits bench_channel_traits();

struct StageOptions {
    ChannelTraits traits{bench_channel_traits()};
    std::uint64_t seed{1};
    // Errors of reading: shown = true * (1 + gain) + offset. Errors of setting: the same of what is demanded.
    double voltage_gain{0.0}, voltage_offset{0.0};          // -, V
    double current_gain{0.0}, current_offset{0.0};          // -, A
    double set_voltage_gain{0.0}, set_voltage_offset{0.0};  // -, V
    double set_current_gain{0.0}, set_current_offset{0.0};  // -, A
    double temperature_offset{0.0}, ambient_offset{0.0};    // K
    // Noise, one standard deviation, never beyond 3.5 of them. 0: none.
    double voltage_noise{0.0}, current_noise{0.0}, temperature_noise{0.0};  // V, A, K
    Duration delay{0};                                                      // dead time from a demand to its effect
    double thermometer_lag{0.0};                                            // s, first order
    double temperature_resolution{0.001};                                   // K
    double ambient{25.0};                                                   // degC around the cell
    double off_leakage{10e-6};      // A out of the cell, off_state high_impedance
    double off_resistance{500.0};   // ohm across the cell, off_state sinks; its own ammeter does not see it
    bool reads_terminals{false};    // a second voltage, at the instrument's end of the leads
    double lead_resistance{0.010};  // ohm, both leads together
    std::vector<StageFault> faults;
};

// What no stage can have, in a sentence.
[[nodiscard]] Result<void> check(const StageOptions& options);

class Stage {
  public:
    // `loaded` is the run time that is t = 0 for the cell and its faults. The output is open.
    Stage(std::unique_ptr<Cell> cell, StageOptions options, Time loaded = {});

    // The demand as the stage says it took it: currents and voltages beyond its range are brought into it.
    Demand apply(const Demand& demand, Time now);
    // Calls come with non-decreasing times. Never allocates.
    [[nodiscard]] Sample sample(Time now);
    // False while a `silent` fault is on: nothing comes back, and sample() has every quantity absent.
    [[nodiscard]] bool answers(Time now) const;
    void ambient(double celsius, Time now);
    // In place of those it had; demands to open that were swallowed are forgotten.
    void set_faults(std::vector<StageFault> faults);

    [[nodiscard]] const ChannelTraits& traits() const { return options_.traits; }
    [[nodiscard]] Cell& cell() { return *cell_; }

  private:
    // A converter's step and its inverse: 0 where it is finer than the whole number.
    struct Grid {
        double step{0.0}, per_step{0.0};
        [[nodiscard]] double snap(double value) const;
    };

    // The last number made whole: most readings are the one before again, and rounding is what costs.
    template <class Q>
    struct Seen {
        double value{0.0};
        Q whole;
        Quality quality{Quality::absent};
        void read(Time now, double next, Reading<Q> (*quantise)(Time, double), Reading<Q>& out) {
            if (next != value || quality == Quality::absent) {
                const Reading<Q> made = quantise(now, next);
                value = next;
                whole = made.value;
                quality = made.quality;
            }
            out.time = now;
            out.value = whole;
            out.quality = quality;
        }
    };

    [[nodiscard]] const StageFault* fault(StageFaultKind kind, Time now) const;
    [[nodiscard]] Demand within_range(const Demand& demand) const;
    void take_effect(const Demand& demand, Time when);
    void drive_off(double t);
    void follow_drain(double t, double voltage);
    [[nodiscard]] double cell_time(Time now) const;
    [[nodiscard]] std::uint64_t moment(Time now) const;
    [[nodiscard]] static double noise(std::uint64_t moment, std::uint64_t quantity, double deviation_of);
    [[nodiscard]] double measured_temperature(const CellReading& reading, double t);
    void measure(const CellReading& reading, Time now, double t, Sample& sample);
    void spoil(Sample& sample, Time now);
    [[nodiscard]] StageMode reported(DriveMode mode) const;
    [[nodiscard]] static std::uint32_t hash_of(const Sample& sample);

    std::unique_ptr<Cell> cell_;
    StageOptions options_;
    Time loaded_;
    std::uint64_t seed_{0};             // mixed
    Voltage least_shown_, most_shown_;  // beyond these it only says that it is over range
    Grid voltage_grid_, current_grid_, temperature_grid_;
    Seen<Voltage> seen_voltage_;
    Seen<Current> seen_current_;
    Seen<Temperature> seen_temperature_, seen_ambient_;
    Demand demand_{Open{}};   // what is in effect
    Demand pending_{Open{}};  // what will be, after the delay
    Time pending_at_;
    bool has_pending_{false};
    bool noisy_{false};
    bool draining_{false};
    double drain_{0.0};         // A, while draining
    std::uint32_t opens_{0};    // demands to open that a fault has swallowed
    std::uint64_t samples_{0};  // counted only where a fault may want them
    double thermometer_{0.0};   // degC, behind its lag
    double thermometer_time_{-1.0}, lag_step_{-1.0}, lag_factor_{0.0};
    bool has_last_{false};
    Sample last_;  // kept only where a fault may freeze it
};

}  // namespace slowfilm::sim
