// One output of a source, a supply or a load: its settings, its own protection, its contactor, and the stage behind it.
#pragma once

#include "daemon/core/sample.hpp"
#include "sim/instrument/fault.hpp"
#include "sim/instrument/fixture.hpp"
#include "sim/stage/stage.hpp"

#include <array>
#include <cstdint>
#include <memory>
#include <string_view>

namespace slowfilm::sim::instrument {

enum class OutputKind : std::uint8_t {
    source,  // gives and takes
    supply,  // gives
    load,    // takes, down to `low`
};

enum class Setting : std::uint8_t { voltage, current, sink, low, voltage_protection, current_protection };
inline constexpr std::size_t setting_count = 6;

struct OutputOptions {
    OutputKind kind{OutputKind::source};
    StageOptions stage{};  // its traits say what it reads and what off is; ranges of settings are below
    Voltage voltage_max{6'000'000'000};
    Current source_max{6'000'000'000}, sink_max{6'000'000'000};
    Voltage protection_least{500'000'000}, protection_most{7'000'000'000};
    Voltage voltage_step{1'000'000};  // of the setting
    Current current_step{1'000'000};
    double off_to_zero{0.0};            // A: off pulls the cell to 0 V with this much; 0: what the stage's traits say
    bool crowbar{false};                // its protection fires a thyristor besides switching off
    bool contactor{false};              // open after a reset
    bool thermometer{false};            // it tells the cell's temperature
    std::shared_ptr<Fixture> sensed{};  // the cell at which its sense leads are by mistake
};

class Output {
  public:
    Output(const OutputOptions& options, std::shared_ptr<Fixture> fixture);

    // Whether an output of this kind has it at all.
    [[nodiscard]] bool has(Setting setting) const;
    struct Range {
        std::int64_t least{0}, most{0}, step{1}, reset{0};  // nV or nA
    };
    [[nodiscard]] Range range(Setting setting) const;
    [[nodiscard]] std::int64_t get(Setting setting) const;
    enum class Taken : std::uint8_t { yes, out_of_range, conflict };
    [[nodiscard]] Taken set(Setting setting, std::int64_t value, Time now);

    void switch_output(bool on, Time now);
    [[nodiscard]] bool on() const { return on_; }
    void protect(Setting which, bool on, Time now);
    [[nodiscard]] bool protects(Setting which) const;
    [[nodiscard]] bool tripped(Setting which) const;
    void clear_protection(Time now);
    void switch_contactor(bool closed, Time now);
    [[nodiscard]] bool contactor_closed() const { return contactor_closed_; }
    void reset(Time now);
    void tick(Time now);

    // As its own meters read it: of a load the current is what it takes.
    [[nodiscard]] Sample sample(Time now);
    [[nodiscard]] double terminals(Time now);
    // Ah by its own ammeter since it was reset: of a load what it took.
    [[nodiscard]] double counted() const;
    // "CC", "CV", "LOW" or "OFF".
    [[nodiscard]] std::string_view mode(Time now);
    // False where an output cannot have it.
    [[nodiscard]] bool set_fault(const Fault& fault, bool on, Time now);
    void conflict(Time now);  // its current limit halves by itself
    [[nodiscard]] const OutputOptions& options() const { return options_; }

  private:
    [[nodiscard]] Demand demand() const;
    void apply(Time now);
    void trip(Setting which, Time now);
    void connect(Time now);
    void tell_stage();

    OutputOptions options_;
    Leads* leads_;
    Stage stage_;
    std::array<std::int64_t, setting_count> settings_{};
    std::array<bool, setting_count> protects_{}, tripped_{};
    bool on_{false};
    Time ticked_;
    double counted_{0.0};  // Ah into the cell
    bool contactor_closed_{false}, welded_{false};
    // Faults.
    bool stuck_{false}, stale_{false}, fired_{false};
    std::optional<double> thermometer_;
    double off_drain_{0.0};
    std::optional<std::int64_t> ignored_;  // commands to switch off that still do nothing
    std::optional<std::int64_t> wrong_protection_;
};

}  // namespace slowfilm::sim::instrument
