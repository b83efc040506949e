// Our reading of thermometers against libmodbus' own server, which is not ours, through a pair of pseudo-terminals.
#include "daemon/channel/temperature_unit.hpp"
#include "daemon/protocol/toml_reader.hpp"
#include "tests/sim/instrument/clients/process.hpp"

#include <atomic>
#include <boost/asio/io_context.hpp>
#include <chrono>
#include <thread>

#include <modbus/modbus.h>

namespace slowfilm::clients {
namespace {

using namespace slowfilm::literals;

// libmodbus' server of one unit, with its input registers.
class Server {
  public:
    Server(const std::string& port, int unit) : context_(modbus_new_rtu(port.c_str(), 19200, 'N', 8, 1)) {
        EXPECT_EQ(modbus_set_slave(context_, unit), 0);
        EXPECT_EQ(modbus_set_indication_timeout(context_, 0, 200'000), 0);
        EXPECT_EQ(modbus_connect(context_), 0) << modbus_strerror(errno);
        registers_ = modbus_mapping_new(0, 0, 0, 310);
    }
    ~Server() {
        ends_ = true;
        if (thread_.joinable()) {
            thread_.join();
        }
        modbus_mapping_free(registers_);
        modbus_close(context_);
        modbus_free(context_);
    }
    Server(const Server&) = delete;
    Server& operator=(const Server&) = delete;

    std::uint16_t& input(int address) { return registers_->tab_input_registers[address]; }
    void serve() {
        thread_ = std::thread([this] {
            std::uint8_t question[MODBUS_RTU_MAX_ADU_LENGTH];
            while (!ends_) {
                const int length = modbus_receive(context_, question);
                if (length > 0) {
                    modbus_reply(context_, question, length, registers_);
                }
            }
        });
    }

  private:
    modbus_t* context_;
    modbus_mapping_t* registers_;
    std::atomic<bool> ends_{false};
    std::thread thread_;
};

TEST(ForeignServers, libmodbus_serves_the_thermometers_that_our_profile_reads) {
    std::string pattern = "/tmp/slowfilm-modbus-XXXXXX";
    const std::string folder = ::mkdtemp(pattern.data());
    {
        Program relay{{"/usr/bin/socat", "-d", "-d", "PTY,raw,echo=0,link=" + folder + "/ours",
                       "PTY,raw,echo=0,link=" + folder + "/theirs"}};
        ASSERT_TRUE(relay.says("starting data transfer loop"));
        Server server{folder + "/theirs", 7};
        server.input(300) = 250;  // 25.0 degC, known
        server.input(0) = 314;
        server.input(1) = static_cast<std::uint16_t>(-125);
        server.input(2) = 0x8000;  // nothing is connected
        server.serve();

        const std::string text =
            *protocol::read_file_bounded(SLOWFILM_SOURCE_DIR "/config/instruments/temperature-module.toml");
        channel::ParsedUnitProfile parsed = channel::parse_unit_profile("temperature-module.toml", text);
        ASSERT_TRUE(parsed.profile);
        const auto profile = std::make_shared<const channel::UnitProfile>(std::move(*parsed.profile));
        boost::asio::io_context io;
        channel::MachineTiming timing{io};
        channel::BusOptions options = profile->bus;
        options.port.path = folder + "/ours";
        const auto bus = std::make_shared<channel::ModbusBus>(io, timing, options);
        const channel::TemperatureUnit unit(bus, profile, 7, 100_ms);
        const Time patience = timing.steady() + 60_s;
        while (unit.reading(0).quality == Quality::absent && timing.steady() < patience) {
            io.restart();
            io.run_one_for(std::chrono::milliseconds(20));
        }
        EXPECT_EQ(unit.trouble(0), "");
        EXPECT_EQ(unit.reading(0).value, Temperature{273'150 + 31'400});
        EXPECT_EQ(unit.reading(1).value, Temperature{273'150 - 12'500});
        EXPECT_EQ(unit.reading(2).quality, Quality::bad);
    }
    std::filesystem::remove_all(folder);
}

}  // namespace
}  // namespace slowfilm::clients
