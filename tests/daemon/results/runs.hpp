// Records written by hand, for figures that can be worked out on paper.
#pragma once

#include "daemon/ledger/records.hpp"

#include <cstdint>
#include <string>
#include <utility>

namespace slowfilm::results::testing {

inline std::string protocol_text(const std::string& state, const std::string& accept) {
    return R"(format = 1
title  = "two cycles by hand"
about  = "For tests."

[cell]
chemistry = "NMC/graphite"
capacity  = "5 Ah"
window    = { min = "2.7 V", max = "4.2 V" }
state     = ")" +
           state + R"("

[limits]
voltage_max        = "4.25 V"
current_max        = "1.2 A"
temperature_max    = "50 degC"
charge_temperature = { min = "10 degC", max = "45 degC" }

[[step]]
name    = "film"
do      = "charge"
rate    = "C/20"
ends    = { voltage = "4.2 V" }
at_most = "30 h"

[[step]]
name    = "out"
do      = "discharge"
rate    = "C/10"
ends    = { voltage = "2.7 V" }
at_most = "14 h"

)" + (accept.empty() ? "" : "[accept]\n" + accept + "\n");
}

// A run that is done, of a cell nobody knew, with visits added one after the other, an hour each.
class RunBuilder {
  public:
    explicit RunBuilder(const std::string& state = "pristine", const std::string& accept = "") {
        run_.header.run = 3;
        run_.header.cell = "P-07";
        run_.header.channel = "A1";
        run_.header.protocol_title = "two cycles by hand";
        run_.header.protocol_text = protocol_text(state, accept);
        run_.header.protocol_sha256 = std::string(64, 'a');
        run_.header.capacity = Charge{18'000'000'000'000'000};  // 5 Ah
        run_.status.run = 3;
        run_.status.state = RunState::done;
        run_.status.started_utc = 1'772'000'000'000'000;
        run_.status.ended_utc = 1'772'000'000'000'000;
    }

    RunBuilder& visit(const std::string& kind, double in_ah, double out_ah, bool ends_cycle = false) {
        ledger::VisitRecord visit;
        visit.run = 3;
        visit.visit = static_cast<std::uint32_t>(run_.visits.size());
        visit.path = kind == "charge" || kind == "hold" ? "1" : "2";
        visit.name = kind == "charge" ? "film" : kind == "discharge" ? "out" : "";
        visit.kind = kind;
        visit.cycle = cycle_;
        visit.ends_cycle = ends_cycle;
        visit.started = Time{3'600'000'000 * static_cast<std::int64_t>(visit.visit)};
        visit.ended = Time{visit.started.count + 3'600'000'000};
        visit.charge_in_ah = in_ah;
        visit.charge_out_ah = out_ah;
        visit.energy_in_wh = in_ah * 3.8;
        visit.energy_out_wh = out_ah * 3.6;
        visit.net_at_start_ah = net_;
        visit.voltage_start = 3.0;
        visit.voltage_end = 4.2;
        visit.current_end = 0.25;
        visit.temperature_max = 26.5;
        visit.ended_by = "voltage";
        net_ += in_ah - out_ah;
        cycle_ += ends_cycle ? 1 : 0;
        run_.status.ended = visit.ended;
        run_.visits.push_back(std::move(visit));
        return *this;
    }

    RunBuilder& event(EventKind kind, std::uint32_t visit, std::int64_t value = 0, std::uint8_t code = 0) {
        ledger::EventRecord record;
        record.run = 3;
        record.event = {.kind = kind,
                        .code = code,
                        .step = 0,
                        .visit = visit,
                        .time = Time{3'600'000'000 * static_cast<std::int64_t>(visit)},
                        .value = value,
                        .limit = 0};
        record.text = "what happened";
        run_.events.push_back(std::move(record));
        return *this;
    }

    [[nodiscard]] ledger::RunData& data() { return run_; }
    [[nodiscard]] ledger::RunData take() { return std::move(run_); }

  private:
    ledger::RunData run_;
    double net_{0.0};
    std::uint32_t cycle_{1};
};

}  // namespace slowfilm::results::testing
