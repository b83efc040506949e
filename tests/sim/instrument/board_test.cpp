// The virtual channel board through the host's side of its link.
#include "daemon/wire/board_link.hpp"
#include "tests/sim/instrument/world.hpp"

#include <variant>

namespace slowfilm::sim::instrument {
namespace {

std::string board(std::string_view more = "") {
    return circuit_cell("c1") +
           "[[instrument]]\nname = \"b\"\nkind = \"channel board\"\ncell = \"c1\"\noff_state = \"relay open\"\n"
           "current = { source_max = \"3 A\", sink_max = \"3 A\" }\n" +
           std::string{more};
}

class Host {
  public:
    explicit Host(const std::string& text) : world{text} {}

    wire::BoardAnswer ask(const wire::BoardCommand& command) {
        const std::string bytes = world.exchange("b", host.ask(command, world.bench().now()), 50_ms);
        const auto answers = host.push(bytes, world.bench().now());
        EXPECT_FALSE(answers.empty()) << "silence";
        return answers.empty() ? wire::BoardAnswer{tl::unexpected{wire::BoardFault::garbled}} : answers.back();
    }
    template <class Reply>
    Reply expect(const wire::BoardCommand& command) {
        const wire::BoardAnswer answer = ask(command);
        if (answer && std::holds_alternative<Reply>(*answer)) {
            return std::get<Reply>(*answer);
        }
        ADD_FAILURE() << (answer ? "another answer" : std::string{wire::describe(answer.error())});
        return Reply{};
    }
    void prepare() {
        (void)expect<Demand>(Demand{Open{}});
        (void)expect<wire::BoardLimits>(wire::BoardLimits{4300_mV, 2500_mV, Current{2'000'000'000}, 50_degC, 1_s});
        (void)expect<wire::BoardLimits>(wire::BoardQuestion::limits);
        (void)expect<wire::BoardState>(wire::BoardQuestion::heartbeat);
    }
    World world;
    wire::BoardHost host;
};

constexpr Demand one_ampere = DriveCurrent{Current{1'000'000'000}, Voltage{4'200'000'000}, Voltage{2'600'000'000}};

TEST(VirtualBoard, drives_the_cell_once_it_has_limits_and_a_heartbeat) {
    Host host{board()};
    (void)host.expect<Demand>(Demand{Open{}});
    EXPECT_EQ(host.expect<wire::BoardRefusal>(one_ampere).why, static_cast<int>(wire::board::Why::no_limits));
    host.prepare();
    const double before = volts(host.expect<wire::BoardState>(wire::BoardQuestion::heartbeat).sample.voltage.value);
    EXPECT_EQ(host.expect<Demand>(one_ampere), one_ampere);
    const auto state = host.expect<wire::BoardState>(wire::BoardQuestion::heartbeat);
    EXPECT_NEAR(amperes(state.sample.current.value), 1.0, 1e-3);
    EXPECT_GT(volts(state.sample.voltage.value), before);
    EXPECT_NEAR(celsius(state.sample.temperature.value), 25.0, 0.1);
    EXPECT_EQ(state.sample.mode, StageMode::constant_current);
    EXPECT_TRUE(state.has(wire::board::output_closed));
}

TEST(VirtualBoard, opens_by_itself_when_the_heartbeat_stops) {
    Host host{board()};
    host.prepare();
    (void)host.expect<Demand>(one_ampere);
    host.world.pass(1'200_ms);
    const auto state = host.expect<wire::BoardState>(wire::BoardQuestion::state);
    EXPECT_FALSE(state.has(wire::board::output_closed));
    EXPECT_TRUE(state.has(wire::board::no_heartbeat));
    EXPECT_EQ(state.sample.current.value, Current{});
}

TEST(VirtualBoard, opens_by_its_own_limits_when_the_host_lets_the_cell_climb) {
    Host host{board()};
    host.prepare();
    (void)host.expect<wire::BoardLimits>(wire::BoardLimits{3500_mV, 2500_mV, Current{2'000'000'000}, 50_degC, 60_s});
    (void)host.expect<wire::BoardLimits>(wire::BoardQuestion::limits);
    (void)host.expect<wire::BoardState>(wire::BoardQuestion::heartbeat);
    host.world.command("cell c1 short 0.2");  // so that it may begin: the cell reads low
    host.world.pass(1_s);
    const Demand demand = DriveCurrent{Current{1'000'000'000}, Voltage{3'500'000'000}, Voltage{2'600'000'000}};
    EXPECT_EQ(host.expect<Demand>(demand), demand);
    host.world.command("cell c1 clear");
    host.world.pass(10_s);
    const auto state = host.expect<wire::BoardState>(wire::BoardQuestion::state);
    EXPECT_FALSE(state.has(wire::board::output_closed));
    EXPECT_TRUE(state.has(wire::board::over_voltage));
    EXPECT_FALSE(state.has(wire::board::no_heartbeat));
}

TEST(VirtualBoard, a_reboot_is_told_by_its_boot_number_and_opens) {
    Host host{board()};
    host.prepare();
    (void)host.expect<Demand>(one_ampere);
    host.world.command("fault b rebooted");
    const wire::BoardAnswer answer = host.ask(wire::BoardQuestion::state);
    ASSERT_FALSE(answer);
    EXPECT_EQ(answer.error(), wire::BoardFault::rebooted);
    const auto state = host.expect<wire::BoardState>(wire::BoardQuestion::state);
    EXPECT_FALSE(state.has(wire::board::output_closed));
    EXPECT_FALSE(state.has(wire::board::limits_written));
}

TEST(VirtualBoard, a_welded_contactor_and_a_stuck_stage_are_seen) {
    Host host{board("contactor = true\n")};
    host.prepare();
    (void)host.expect<Demand>(one_ampere);
    EXPECT_EQ(host.expect<wire::BoardState>(wire::BoardQuestion::heartbeat).contactor, wire::board::Contactor::closed);
    host.world.command("fault b contactor welded");
    host.world.command("fault b output stuck on");
    (void)host.expect<Demand>(Demand{Open{}});
    const auto state = host.expect<wire::BoardState>(wire::BoardQuestion::heartbeat);
    EXPECT_EQ(state.contactor, wire::board::Contactor::welded);
    EXPECT_NEAR(amperes(state.sample.current.value), 1.0, 1e-3);
}

TEST(VirtualBoard, readings_that_it_does_not_have_are_not_sent_as_values) {
    Host host{board()};
    host.prepare();
    host.world.command("fault b over range");
    const auto state = host.expect<wire::BoardState>(wire::BoardQuestion::heartbeat);
    EXPECT_EQ(state.sample.voltage.quality, Quality::bad);
    EXPECT_EQ(state.sample.current.quality, Quality::bad);
    host.world.command("clear b");
    host.world.command("fault b thermometer");
    EXPECT_EQ(host.expect<wire::BoardState>(wire::BoardQuestion::heartbeat).sample.temperature.quality, Quality::bad);
}

TEST(VirtualBoard, off_is_ignored_as_often_as_is_said) {
    Host host{board()};
    host.prepare();
    (void)host.expect<Demand>(one_ampere);
    host.world.command("fault b off ignored value 1000");
    (void)host.expect<Demand>(Demand{Open{}});
    EXPECT_NEAR(amperes(host.expect<wire::BoardState>(wire::BoardQuestion::heartbeat).sample.current.value), 1.0, 1e-3);
    host.world.command("clear b");
    host.world.pass(100_ms);
    EXPECT_EQ(host.expect<wire::BoardState>(wire::BoardQuestion::heartbeat).sample.current.value, Current{});
}

}  // namespace
}  // namespace slowfilm::sim::instrument
