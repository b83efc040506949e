#include "daemon/channel/instrument_options.hpp"

namespace slowfilm::channel {
namespace {

Result<void> fits(const OutputProfile& output, const InstrumentProfile& instrument,
                  const InstrumentChannelOptions& options) {
    const SenseProfile& sense = instrument.sense;
    if (sense.fixed_four_wire && *sense.fixed_four_wire != options.four_wire) {
        return fail(Failure::bad_config, std::string("the profile says that the instrument is wired for ") +
                                             (*sense.fixed_four_wire ? "four wires" : "two wires") +
                                             ", and the bench says otherwise; wire it so, and say so in both");
    }
    const auto out_of = [](std::int64_t count, const Setting& setting) {
        return count < setting.min || count > setting.max;
    };
    if (!output.protection.set.empty() && out_of(options.protection.count, output.protection)) {
        return fail(Failure::bad_config, "its own protection against voltage must be set to " +
                                             print(options.protection) + " and can be set from " +
                                             print(Voltage{output.protection.min}) + " to " +
                                             print(Voltage{output.protection.max}) +
                                             " only; it cannot protect this cell, another instrument is needed");
    }
    if (output.current_protection && out_of(options.current_protection.count, *output.current_protection)) {
        return fail(Failure::bad_config, "its own protection against current must be set to " +
                                             print(options.current_protection) + " and can be set up to " +
                                             print(Current{output.current_protection->max}) + " only");
    }
    return {};
}

}  // namespace

Result<void> can_make(const InstrumentChannelOptions& options) {
    const std::shared_ptr<const Profile>& profile = options.profile;
    const std::size_t count = profile->instruments.size();
    if (options.traits.has_contactor && !traits_of(*profile, options.traits).has_contactor) {
        return fail(Failure::bad_config, "the profile has no [source.contactor], so nothing would open a contactor");
    }
    if (options.ports.size() != count) {
        return fail(Failure::bad_config, "the profile is of " + std::to_string(count) + " instrument" +
                                             (count == 1 ? "" : "s") + ", so it needs that many ports, not " +
                                             std::to_string(options.ports.size()));
    }
    if (!options.serials.empty() && options.serials.size() != count) {
        return fail(Failure::bad_config, "there is a serial number for each port, or none at all");
    }
    if (Result<void> good = fits(profile->source, profile->instruments[profile->source_at], options); !good) {
        return good;
    }
    return profile->load ? fits(*profile->load, profile->instruments[profile->load_at], options) : Result<void>{};
}

}  // namespace slowfilm::channel
