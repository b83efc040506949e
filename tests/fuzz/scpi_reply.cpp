// Bytes to lines to values: no text is a value unless it is one.
#include "daemon/wire/scpi.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <cmath>

using namespace slowfilm::wire;
using slowfilm::fuzz::require;

namespace {

void read_in_every_way(const std::string& text, const ReplyRules& rules) {
    if (const auto number = read_number(text, rules)) {
        require(std::fabs(*number) < 9.8e37, "a number is finite and no sentinel");
        require(text.find_first_of("0123456789") != std::string::npos, "a number has digits");
    }
    if (const auto whole = read_integer(text, rules)) {
        require(read_number(text, rules).has_value(), "a whole number is a number");
    }
    if (const auto status = read_event_status(text, rules)) {
        require(read_integer(text, {rules.prefix, {}}).value() <= 255, "a status is one byte");
    }
    if (const auto identity = read_identity(text, rules)) {
        require(!identity->maker.empty() && !identity->model.empty(), "an identity names maker and model");
    }
    if (const auto error = read_error(text, rules)) {
        require(describe(*error).find('\n') == std::string::npos, "an error is one line");
    }
    (void)read_boolean(text, rules);
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    slowfilm::fuzz::Input input{data, size};
    const LineRules lines{.cr_ends = input.choose(2) == 1, .longest = 8 * input.choose(32)};
    const ReplyRules rules{input.choose(2) == 1 ? ">" : "", input.choose(2) == 1 ? "V" : ""};
    const std::size_t length = input.choose(16);
    const std::string bytes = input.rest();
    slowfilm::fuzz::same_in_pieces(bytes, length, [&](const std::string& all, std::size_t piece) {
        LineReader reader{lines};
        std::vector<Line> out;
        for (std::size_t at = 0; at < all.size(); at += piece) {
            for (Line& line : reader.push(std::string_view{all}.substr(at, piece))) {
                require(line.text.size() <= lines.longest, "a line is not longer than the rules let it");
                out.push_back(std::move(line));
            }
        }
        return out;
    });
    LineReader reader{lines};
    for (const Line& line : reader.push(bytes)) {
        read_in_every_way(line.text, rules);
    }
    read_in_every_way(bytes, rules);
    return 0;
}
