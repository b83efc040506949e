// [channel.instrument] of a bench file: which serial instruments a channel hangs on.
#pragma once

#include "daemon/bench/config.hpp"
#include "daemon/channel/profile.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <map>
#include <memory>
#include <optional>
#include <string>
#include <utility>

namespace slowfilm::bench {

// Of one bench: profiles are read once however many channels name them, and what the channels share is looked at.
class InstrumentReader {
  public:
    explicit InstrumentReader(std::string bench_file) : bench_file_(std::move(bench_file)) {}

    // Fills in the instrument, and the traits that its profile gives; the bench's own stand in `config` already. What
    // could not be read is complained of in the table's document, and the channel has no instrument then.
    void read(protocol::Table& channel, ChannelConfig& config);

    // As a bench file writes a port: a relative name lies beside it.
    [[nodiscard]] std::string port_beside(const std::string& port) const;
    // A name that the kernel gives in the order of plugging in is another adapter's after a restart.
    static void warn_of_passing_name(protocol::Table& table, std::string_view key, const std::string& port);
    // Who has that port already, where it is not `who`; else it is theirs from now on.
    [[nodiscard]] std::optional<std::string> taken(const std::string& path, const std::string& who);

    // What is wrong with the profiles, rendered under their own names; "" when nothing is.
    [[nodiscard]] const std::string& complaints() const { return complaints_; }

  private:
    struct Shelved {
        std::shared_ptr<const channel::Profile> profile;  // null: it is not good
        std::string why_not;
    };
    [[nodiscard]] const Shelved& profile_at(const std::string& path);
    [[nodiscard]] std::shared_ptr<const channel::Profile> read_profile(protocol::Table& table);
    void read_ports(protocol::Table& table, channel::InstrumentChannelOptions& options) const;
    void judge_ports(protocol::Table& table, const ChannelConfig& config,
                     const channel::InstrumentChannelOptions& options);

    struct Owner {
        const channel::InstrumentProfile* instrument;
        std::string serial, channel;
    };
    std::string bench_file_, complaints_;
    std::map<std::string, Shelved> profiles_;                             // by path
    std::map<std::string, Owner> ports_;                                  // by path
    std::map<std::string, std::string> holders_;                          // of all ports, by path
    std::map<std::pair<std::string, std::string>, std::string> outputs_;  // channels, by port and off line
};

}  // namespace slowfilm::bench
