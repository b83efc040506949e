// Parameter sets of the electrochemical cell: TOML text to checked parameters, and the sets that are built in.
#pragma once

#include "daemon/core/diagnostic.hpp"
#include "daemon/core/result.hpp"
#include "sim/cell/particle_parameters.hpp"

#include <optional>
#include <span>
#include <string>
#include <string_view>

namespace slowfilm::sim {

struct ShippedSet {
    std::string_view name;  // "nmc-graphite-pouch-5ah"
    std::string_view text;
};
// Those of sim/cells, by name.
[[nodiscard]] std::span<const ShippedSet> shipped_sets();

struct ReadSet {
    std::optional<ParticleParameters> parameters;  // absent: the diagnostics have errors
    Diagnostics diagnostics;
};
[[nodiscard]] ReadSet read_particle_set(std::string file, std::string_view text);

// The set in this file and no built-in one. Of a bad set `failure` bad_data and the complaints at their places.
[[nodiscard]] Result<ParticleParameters> particle_set_in(const std::string& path);
// Its chemistry, or what is wrong with it, rendered under the file's own name.
[[nodiscard]] Result<std::string, std::string> chemistry_of_set_in(const std::string& path);

// A shipped set by its name or by the chemistry a protocol gives ("NMC/graphite"; "other" is taken as that), else a
// file at this path. bad_data with every complaint and its place; no_input: no such set and no such file.
[[nodiscard]] Result<ParticleParameters> particle_set(const std::string& name);

}  // namespace slowfilm::sim
