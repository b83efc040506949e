// A protocol's file as the verbs about protocols take it.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/protocol/check.hpp"

#include <string>

namespace slowfilm::command {

struct Loaded {
    std::string text;
    protocol::Checked checked;
};

// no_input, not_allowed or bad_data where there is no text to check; what the check finds is in the answer.
[[nodiscard]] Result<Loaded> load(const std::string& file);

}  // namespace slowfilm::command
