// What hangs on Modbus lines beside a bench's channels: [[sensor]], and a [[chamber]] that is real.
#pragma once

#include "daemon/bench/config.hpp"
#include "daemon/bench/config_instrument.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <map>
#include <memory>
#include <optional>
#include <string>

namespace slowfilm::bench {

class UnitReader {
  public:
    UnitReader(std::string bench_file, InstrumentReader& ports) : bench_file_(std::move(bench_file)), ports_(ports) {}

    void read_sensors(protocol::Table& root, BenchConfig& config);
    // profile, port, unit and period of a chamber; nothing where something is missing or wrong, which is complained of.
    [[nodiscard]] std::optional<UnitConfig> read_chamber(protocol::Table& table);

    // What is wrong with the profiles, rendered under their own names; "" when nothing is.
    [[nodiscard]] const std::string& complaints() const { return complaints_; }

  private:
    template <class Kind>
    [[nodiscard]] std::optional<UnitConfig> read_unit(protocol::Table& table, std::string_view kind);
    [[nodiscard]] std::shared_ptr<const channel::UnitProfile> profile_of(protocol::Table& table);
    void judge_line(protocol::Table& table, const UnitConfig& unit);

    std::string bench_file_, complaints_;
    InstrumentReader& ports_;
    std::map<std::string, std::shared_ptr<const channel::UnitProfile>> profiles_;  // by path; null: not good
    std::map<std::string, UnitConfig> lines_;                                      // the first of each port
    std::map<std::pair<std::string, int>, UnitConfig> units_;                      // by port and number
};

// Whether what a channel says of thermometers and its chamber can be, once all have been read.
void judge_fittings(protocol::Table& channel, const ChannelConfig& config, const BenchConfig& bench);

}  // namespace slowfilm::bench
