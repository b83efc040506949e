// One [[instrument]] of a file of virtual instruments.
#pragma once

#include "daemon/protocol/toml_reader.hpp"
#include "sim/instrument/line.hpp"
#include "sim/instrument/modbus_instruments.hpp"

#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::sim::instrument {

// What instruments are connected to.
struct Surroundings {
    double room{25.0};  // degC
    std::map<std::string, std::shared_ptr<Fixture>> cells;
    std::map<std::string, std::shared_ptr<ChamberRoom>> chambers;
};

struct ReadInstrument {
    std::string name;
    LineOptions line;
    std::unique_ptr<Instrument> instrument;
    bool shares_line{false};  // several units may hang on it
};

inline constexpr double chamber_least = -40.0, chamber_most = 180.0;  // degC that any chamber may be given

// The room of a chamber among the instruments, for the cells that name it; nothing where it is none.
[[nodiscard]] std::shared_ptr<ChamberRoom> read_chamber_room(protocol::Table& table, double room);

// Nothing where the table was refused: the complaint is in its document.
[[nodiscard]] std::optional<ReadInstrument> read_instrument(protocol::Table& table, const Surroundings& around);

}  // namespace slowfilm::sim::instrument
