#include "daemon/bench/config_board.hpp"

#include "daemon/core/text.hpp"

#include <array>
#include <string_view>

namespace slowfilm::bench {
namespace {

using namespace literals;
using channel::BoardChannelOptions;
using protocol::Need;
using protocol::Table;

constexpr std::array<std::string_view, 2> wirings{"four wire", "two wire"};
constexpr std::array<std::string_view, 3> dtr_words{"keep", "high", "low"};
constexpr std::uint32_t link_baud = 115'200;  // of config/board-link.md
constexpr std::int64_t number_most = 4'294'967'295;
constexpr Duration answer_least = 10_ms;
constexpr Duration answer_most = 2_s;
constexpr Duration boot_most = 60_s;

Duration read_span(Table& table, std::string_view key, Duration least, Duration most) {
    const std::optional<Duration> span = table.quantity<Dimension::time>(key, Need::required);
    if (span && (*span < least || *span > most)) {
        table.error(table.place_of(key),
                    "'" + std::string(key) + "' must lie between " + print(least) + " and " + print(most));
    }
    return span.value_or(least);
}

// Whether all that must stand there does.
bool read_limits(Table& board, BoardChannelOptions& options) {
    std::optional<Table> table = board.table(
        "limits", Need::required,
        "{ voltage_min = ..., voltage_max = ..., current_max = ..., temperature_max = ..., watchdog = ... }");
    if (!table) {
        return false;
    }
    const auto low = table->quantity<Dimension::voltage>("voltage_min", Need::required);
    const auto high = table->quantity<Dimension::voltage>("voltage_max", Need::required);
    const auto current = table->quantity<Dimension::current>("current_max", Need::required);
    const auto watchdog = table->quantity<Dimension::time>("watchdog", Need::required);
    options.limits.temperature_max = table->quantity<Dimension::temperature>("temperature_max");
    if (!low || !high || !current || !watchdog) {
        return false;
    }
    options.limits.voltage_min = *low;
    options.limits.voltage_max = *high;
    options.limits.current_max = *current;
    options.limits.watchdog = *watchdog;
    return true;
}

std::optional<std::uint32_t> read_number(Table& table, std::string_view key) {
    const std::optional<std::int64_t> number = table.integer(key, 0, number_most);
    return number ? std::optional(static_cast<std::uint32_t>(*number)) : std::nullopt;
}

}  // namespace

void read_board(Table& channel, InstrumentReader& instruments, ChannelConfig& config) {
    std::optional<Table> table = channel.table("board", Need::required, "{ port = ..., ... }");
    if (!table) {
        return;
    }
    BoardChannelOptions options;
    const std::optional<std::string> port = table->text("port", Need::required);
    options.port.baud = static_cast<std::uint32_t>(table->integer("baud", 300, 4'000'000).value_or(link_baud));
    options.port.dtr = static_cast<channel::Dtr>(table->word("dtr", dtr_words).value_or(0));
    options.answer = read_span(*table, "answer", answer_least, answer_most);
    options.boot = read_span(*table, "boot", 0_s, boot_most);
    options.kind = read_number(*table, "kind");
    options.serial = read_number(*table, "serial");
    const std::optional<std::size_t> wiring = table->word("sense", wirings, Need::required);
    options.four_wire = wiring.value_or(0) == 0;
    const std::optional<bool> thermometer = table->truth("thermometer", Need::required);
    options.has_thermometer = thermometer.value_or(false);
    config.traits.reads_terminals = table->truth("terminals", Need::required).value_or(false);
    config.traits.reports_ceiling = true;  // the link has no other
    const bool limited = read_limits(*table, options);
    if (thermometer == false && config.traits.temperature_of != TemperatureOf::none && config.thermometer.empty()) {
        channel.error(
            channel.place_of("temperature_of"),
            "the board has no thermometer, so nothing reads one here; name a [[sensor]] with 'thermometer', or "
            "write temperature_of = \"none\" (protocols with limits of temperature are refused then)");
    }
    options.traits = config.traits;
    if (!port || !wiring || !limited || !thermometer) {
        return;
    }
    options.port.path = instruments.port_beside(*port);
    if (!options.serial) {
        instruments.warn_of_passing_name(*table, "port", *port);
    }
    if (const auto other = instruments.taken(options.port.path, "channel '" + escaped(config.name) + "'")) {
        table->error(table->place_of("port"), "the port '" + escaped(options.port.path) + "' is taken: " + *other +
                                                  "; a channel board has one of its own");
        return;
    }
    if (const Result<void> can = channel::can_make(options); !can) {
        table->error(table->place_of("limits"), can.error().message);
        return;
    }
    config.board = std::move(options);
}

}  // namespace slowfilm::bench
