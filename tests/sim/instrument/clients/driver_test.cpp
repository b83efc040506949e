// Our own driver, by the shipped profiles, on virtual instruments: what was rehearsed on these is what drives the real.
#include "daemon/channel/instrument_channel.hpp"
#include "daemon/channel/profile.hpp"
#include "daemon/channel/timing.hpp"
#include "tests/sim/instrument/clients/process.hpp"

#include <boost/asio/io_context.hpp>
#include <chrono>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace slowfilm::clients {
namespace {

using namespace slowfilm::literals;

std::string instrument(const std::string& name, const std::string& kind) {
    return "[[instrument]]\nname = \"" + name + "\"\nkind = \"" + kind +
           "\"\ncell = \"c1\"\noff_state = \"high impedance\"\n";
}

class Driver {
  public:
    Driver(const std::string& name, std::vector<std::string> ports) {
        const std::string file = SLOWFILM_SOURCE_DIR "/config/instruments/" + name + ".toml";
        Result<channel::Profile> profile = channel::load_profile(file);
        EXPECT_TRUE(profile) << (profile ? "" : profile.error().message);
        channel::InstrumentChannelOptions options;
        options.profile = std::make_shared<const channel::Profile>(std::move(*profile));
        options.ports = std::move(ports);
        options.protection = 4350_mV;
        options.current_protection = Current{3'000'000'000};
        options.traits = channel::traits_of(*options.profile, ChannelTraits{.period = 1_s});
        auto made = channel::make_instrument_channel(instruments_, std::move(options));
        EXPECT_TRUE(made) << (made ? "" : made.error().message);
        channel_ = std::move(*made);
        EXPECT_TRUE(until([&] { return channel_->health().ready; })) << channel_->health().trouble;
    }

    // Whether the stage took it.
    bool apply(const Demand& demand) {
        std::optional<bool> taken;
        channel_->apply(demand, timing_.steady(),
                        [&taken](const Result<Demand, FaultKind>& answer) { taken = answer.has_value(); });
        EXPECT_TRUE(until([&] { return taken.has_value(); }));
        return taken.value_or(false);
    }
    // The first sample that says this of the current, which comes once the stage has settled.
    template <class Says>
    Sample await(Says says) {
        Sample sample;
        bool asked = false;
        EXPECT_TRUE(until([&] {
            if (!std::exchange(asked, true)) {
                channel_->sample(timing_.steady(), [&](const Sample& one) {
                    sample = one;
                    asked = false;
                });
            }
            return sample.current.good() && says(amperes(sample.current.value));
        })) << "the last current was "
            << amperes(sample.current.value);
        until([&] { return !asked; });
        return sample;
    }
    [[nodiscard]] channel::Health health() const { return channel_->health(); }

  private:
    // Bounded by a minute of patience, never by how fast the machine is.
    template <class So>
    bool until(So so) {
        const Time end = timing_.steady() + 60_s;
        while (!so() && timing_.steady() < end) {
            io_.restart();
            io_.run_one_for(std::chrono::milliseconds(20));
        }
        return so();
    }

    boost::asio::io_context io_;
    channel::MachineTiming timing_{io_};
    channel::Instruments instruments_{io_, timing_};
    std::unique_ptr<channel::Channel> channel_;
};

auto about(double current) {
    return [current](double now) { return now > current - 5e-3 && now < current + 5e-3; };
}
const DriveCurrent charge{Current{500'000'000}, 4200_mV, 2500_mV};
const DriveCurrent discharge{Current{-500'000'000}, 4200_mV, 2500_mV};

TEST(DriverOnVirtual, a_two_quadrant_source_charges_and_discharges_by_the_shipped_profile) {
    const VirtualPorts ports{bench_with(instrument("s", "two-quadrant source"))};
    Driver driver{"two-quadrant-source", {ports.port("s")}};
    EXPECT_EQ(driver.health().identity, "slowfilm,virtual two-quadrant source,s,1");
    const double rest = volts(driver.await(about(0.0)).voltage.value);
    ASSERT_TRUE(driver.apply(charge)) << driver.health().trouble;
    EXPECT_GT(volts(driver.await(about(0.5)).voltage.value), rest);
    ASSERT_TRUE(driver.apply(discharge)) << driver.health().trouble;
    EXPECT_LT(volts(driver.await(about(-0.5)).voltage.value), rest);
    ASSERT_TRUE(driver.apply(Open{})) << driver.health().trouble;
    (void)driver.await(about(0.0));
}

TEST(DriverOnVirtual, a_supply_alone_charges_by_the_shipped_profile) {
    const VirtualPorts ports{bench_with(instrument("p", "supply"))};
    Driver driver{"supply-alone", {ports.port("p")}};
    ASSERT_TRUE(driver.apply(charge)) << driver.health().trouble;
    (void)driver.await(about(0.5));
    ASSERT_TRUE(driver.apply(Open{})) << driver.health().trouble;
    (void)driver.await(about(0.0));
}

TEST(DriverOnVirtual, a_supply_and_a_load_share_a_cell_by_the_shipped_profile) {
    const VirtualPorts ports{bench_with(instrument("p", "supply") + instrument("l", "load"))};
    Driver driver{"supply-and-load", {ports.port("p"), ports.port("l")}};
    const double rest = volts(driver.await(about(0.0)).voltage.value);
    ASSERT_TRUE(driver.apply(charge)) << driver.health().trouble;
    EXPECT_GT(volts(driver.await(about(0.5)).voltage.value), rest);
    ASSERT_TRUE(driver.apply(discharge)) << driver.health().trouble;
    EXPECT_LT(volts(driver.await(about(-0.5)).voltage.value), rest);
    ASSERT_TRUE(driver.apply(Open{})) << driver.health().trouble;
    (void)driver.await(about(0.0));
}

}  // namespace
}  // namespace slowfilm::clients
