// Complaints about a user's file, printed as a compiler prints them: file:line:column, the sentence, the line, a caret.
#pragma once

#include "daemon/core/place.hpp"

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm {

enum class Severity : std::uint8_t { warning, error };

struct Diagnostic {
    Severity severity{Severity::error};
    Place place;
    std::string message;  // what is wrong, and what would be right; one or two sentences
};

struct Diagnostics {
    std::string file;  // as the user named it
    std::vector<Diagnostic> items;

    void error(Place place, std::string message);
    void warning(Place place, std::string message);
    [[nodiscard]] bool has_errors() const;
    void sort();  // by place, errors and warnings together
};

// "night.toml:12:9: error: ...\n   12 | rate = 5\n      |        ^\n" for each; `source` is the file's text.
// Control characters and broken UTF-8 of the source are shown escaped; long lines are cut around the caret.
[[nodiscard]] std::string render(const Diagnostics& diagnostics, std::string_view source);

}  // namespace slowfilm
