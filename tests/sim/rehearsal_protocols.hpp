// What the tests of a rehearsal rehearse.
#pragma once

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>
#include <vector>

namespace slowfilm::sim::testing {

// Every protocol that is shipped, by its file.
inline std::vector<std::filesystem::path> shipped_protocols() {
    std::vector<std::filesystem::path> files;
    for (const auto& entry : std::filesystem::directory_iterator{SLOWFILM_SOURCE_DIR "/protocols"}) {
        if (entry.path().extension() == ".toml") {
            files.push_back(entry.path());
        }
    }
    std::sort(files.begin(), files.end());
    return files;
}

inline std::string text_of(const std::filesystem::path& file) {
    std::ifstream stream{file, std::ios::binary};
    return {std::istreambuf_iterator<char>{stream}, {}};
}

// Two cycles of a pristine 5 Ah pouch cell, an ask in the middle of the first charge.
inline const std::string two_cycles = R"(format = 1
title  = "two cycles"
about  = "For tests."

[cell]
chemistry = "NMC/graphite"
format    = "pouch"
capacity  = "5 Ah"
window    = { min = "2.7 V", max = "4.2 V" }
state     = "pristine"

[limits]
voltage_max        = "4.25 V"
current_max        = "2.6 A"
temperature_max    = "50 degC"
charge_temperature = { min = "10 degC", max = "45 degC" }
climb              = [ { by = "8 %", above = "3.0 V" } ]
run_time_max       = "96 h"

[keep]
every = "60 s"

[[step]]
name    = "film"
do      = "charge"
rate    = "C/10"
ends    = { net = "35 %" }
at_most = "6 h"

[[step]]
name    = "degas"
do      = "ask"
prompt  = "Cut, evacuate and reseal the gas pouch, reconnect the cell, then confirm."
at_most = "3 d"

[[step]]
name  = "cycles"
do    = "repeat"
times = 2

  [[step.step]]
  name    = "up"
  do      = "charge"
  rate    = "C/4"
  ends    = { voltage = "4.2 V" }
  at_most = "14 h"

  [[step.step]]
  do       = "hold"
  voltage  = "4.2 V"
  rate_max = "C/4"
  ends     = { current = "C/20" }
  at_most  = "3 h"

  [[step.step]]
  do      = "rest"
  ends    = { time = "10 min" }

  [[step.step]]
  name    = "down"
  do      = "discharge"
  rate    = "C/4"
  ends    = { voltage = "2.7 V" }
  at_most = "14 h"

[accept]
first_cycle_efficiency = { min = "80 %" }
discharge_capacity     = { min = "4 Ah", cycle = 2 }
)";

}  // namespace slowfilm::sim::testing
