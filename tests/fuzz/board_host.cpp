// What the host makes of a board's lines.
#include "daemon/wire/board_link.hpp"
#include "tests/fuzz/board_line.hpp"

using namespace slowfilm;
using namespace slowfilm::wire;
using slowfilm::fuzz::require;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    fuzz::Input input{data, size};
    const bool as_it_is = input.choose(2) == 1;
    const std::size_t asked = input.choose(8);
    const std::size_t length = input.choose(16);
    const std::string bytes = as_it_is ? input.rest() : fuzz::with_crcs(input.rest());
    fuzz::same_in_pieces(bytes, length, [&](const std::string& all, std::size_t piece) {
        BoardHost host;
        const std::string sent =
            asked < 6    ? host.ask(static_cast<BoardQuestion>(asked), Time{1})
            : asked == 6 ? host.ask(BoardLimits{{1'000}, {0}, {1'000}, Temperature{300'000}, {1'000'000}}, Time{1})
                         : host.ask(Demand{Open{}}, Time{1});
        require(sent.size() <= board::line_most, "a command is no longer than a line may be");
        std::vector<BoardAnswer> answers;
        int replies = 0;
        for (std::size_t at = 0; at < all.size(); at += piece) {
            for (BoardAnswer& answer : host.push(std::string_view{all}.substr(at, piece), Time{2})) {
                replies += answer ? 1 : 0;
                require(answer || !describe(answer.error()).empty(), "a fault has words");
                answers.push_back(std::move(answer));
            }
        }
        require(replies <= 1, "one question has one answer");
        return answers;
    });
    return 0;
}
