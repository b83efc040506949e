// What a virtual unit hears.
#include "daemon/wire/modbus.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <utility>

using namespace slowfilm::wire::modbus;
using slowfilm::fuzz::require;

namespace {

using Said = std::pair<std::uint8_t, std::optional<Request>>;

void check(const Heard& heard, const std::string& bytes) {
    if (!heard.request) {
        require(!encode_exception(heard.unit, heard.function, heard.refusal).empty(), "a refusal can be sent");
        return;
    }
    require(bytes.find(encode(*heard.request)) != std::string::npos, "a request is a frame that came");
    const std::string reply = encode_reply(*heard.request, std::vector<std::uint16_t>(heard.request->count));
    require(reply.size() == reply_length(*heard.request), "the reply has its length");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    slowfilm::fuzz::Input input{data, size};
    const std::size_t length = input.choose(16);
    const std::string bytes = input.rest();
    slowfilm::fuzz::same_in_pieces(bytes, length, [&](const std::string& all, std::size_t piece) {
        RequestReader reader;
        std::vector<Said> said;
        const auto take = [&](const std::vector<Heard>& heard) {
            for (const Heard& one : heard) {
                check(one, all);
                said.emplace_back(one.function, one.request);
            }
        };
        for (std::size_t at = 0; at < all.size(); at += piece) {
            take(reader.push(std::string_view{all}.substr(at, piece)));
        }
        take(reader.gap());
        return said;
    });
    return 0;
}
