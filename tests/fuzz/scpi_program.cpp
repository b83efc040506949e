// What a virtual instrument hears.
#include "daemon/wire/scpi_program.hpp"

#include "tests/fuzz/fuzz.hpp"

using namespace slowfilm::wire;
using slowfilm::fuzz::require;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string message = slowfilm::fuzz::Input{data, size}.rest();
    for (const ProgramCommand& command : split_program(message)) {
        require(!command.header.empty(), "a command has a header");
        if (header_matches("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", command.header)) {
            require(!header_matches("OUTPut[:STATe]", command.header), "a header is one of two");
        }
        (void)header_matches(command.header, message);
    }
    (void)header_matches(message, "VOLT");
    return 0;
}
