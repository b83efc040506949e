#include "daemon/main/slowfilmd_serial.hpp"

#include "daemon/channel/board_channel.hpp"
#include "daemon/channel/instrument_channel.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <filesystem>
#include <string>
#include <utility>
#include <vector>

namespace slowfilm::daemon {

Result<std::unique_ptr<channel::Channel>> SerialBench::make(const bench::ChannelConfig& config) {
    if (config.board) {
        return channel::make_board_channel(
            *config.board, std::make_unique<channel::BoardLine>(io_, instruments_.timing(), *config.board,
                                                                instruments_.next_guarding(), lockstep_.get()));
    }
    return channel::make_instrument_channel(instruments_, *config.instrument);
}

bool has_serial(const bench::BenchConfig& config) {
    return std::any_of(config.channels.begin(), config.channels.end(),
                       [](const bench::ChannelConfig& channel) { return channel.serial(); });
}

namespace {

std::vector<std::string> ports_of(const bench::ChannelConfig& channel) {
    if (channel.board) {
        return {channel.board->port.path};
    }
    return channel.instrument ? channel.instrument->ports : std::vector<std::string>{};
}

}  // namespace

Result<std::unique_ptr<channel::Lockstep>> take_clock(const bench::BenchConfig& config) {
    std::string folder;
    for (const bench::ChannelConfig& channel : config.channels) {
        for (const std::string& port : ports_of(channel)) {
            const std::string there = std::filesystem::path(port).parent_path().string();
            const std::string where = escaped(config.file) + ":" + std::to_string(channel.place.line) + ":" +
                                      std::to_string(channel.place.column) + ": channel '" + escaped(channel.name) +
                                      "': ";
            if (!std::filesystem::is_socket(there + "/clock")) {
                return fail(Failure::bad_config,
                            where + "the time of its port '" + escaped(port) +
                                "' cannot be scaled: that of slowfilm-virtual can, whose ports stand beside the socket "
                                "'clock'; leave out --time-scale, or start slowfilm-virtual and name its ports");
            }
            if (!folder.empty() && folder != there) {
                return fail(Failure::bad_config, where + "its port '" + escaped(port) +
                                                     "' is not in the folder of the others, '" + escaped(folder) +
                                                     "'; time can be scaled with one slowfilm-virtual only");
            }
            folder = there;
        }
    }
    return channel::Lockstep::connect(folder);
}

}  // namespace slowfilm::daemon
