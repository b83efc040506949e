#include "daemon/channel/profile_read.hpp"

#include "daemon/channel/profile_line.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <array>

namespace slowfilm::channel::detail {
namespace {

using namespace literals;
using protocol::Need;
using protocol::Table;

constexpr std::array<std::string_view, 3> parities{"none", "even", "odd"};
constexpr std::array<std::string_view, 3> dtr_words{"keep", "high", "low"};
constexpr std::array<std::string_view, 3> line_ends{"LF", "CR", "CRLF"};
constexpr std::array<std::string_view, 3> line_end_bytes{"\n", "\r", "\r\n"};
constexpr std::array<std::string_view, 2> answer_ends{"LF", "CR"};
constexpr std::array<std::string_view, 3> off_states{"relay open", "high impedance", "sinks"};
constexpr std::array<std::string_view, 2> protections{"output off", "crowbar"};
constexpr std::array<std::string_view, 3> order_words{"zero current", "voltage", "current"};
constexpr std::array<std::string_view, 2> wirings{"four wire", "two wire"};
constexpr std::array<std::string_view, 4> charge_units{"Ah", "mAh", "As", "C"};
constexpr std::array<double, 4> charge_units_in_ah{1.0, 1e-3, 1.0 / 3600.0, 1.0 / 3600.0};
constexpr Duration answer_most = 10_s;
constexpr Duration pause_most = 2_s;
constexpr Duration boot_most = 60_s;
constexpr Duration settle_most = 60_s;

void read_port(Table& holder, InstrumentProfile& instrument) {
    std::optional<Table> port = holder.table("port", Need::required);
    if (!port) {
        return;
    }
    instrument.port.baud =
        static_cast<std::uint32_t>(port->integer("baud", 300, 4'000'000, Need::required).value_or(9600));
    instrument.port.data_bits = static_cast<std::uint8_t>(port->integer("data_bits", 7, 8, Need::required).value_or(8));
    instrument.port.parity = static_cast<Parity>(port->word("parity", parities, Need::required).value_or(0));
    instrument.port.stop_bits =
        port->integer("stop_bits", 1, 2, Need::required).value_or(1) == 2 ? StopBits::two : StopBits::one;
    instrument.port.dtr = static_cast<Dtr>(port->word("dtr", dtr_words, Need::required).value_or(0));
    instrument.line_end = line_end_bytes[port->word("line_end", line_ends, Need::required).value_or(0)];
    instrument.answer_end = port->word("answer_end", answer_ends, Need::required).value_or(0) == 0 ? '\n' : '\r';
    instrument.echoes = port->truth("echo", Need::required).value_or(false);
    if (const auto boot = port->quantity<Dimension::time>("boot", Need::required)) {
        instrument.boot = *boot;
        if (*boot > boot_most) {
            port->error(port->place_of("boot"), "'boot' is at most " + print(boot_most));
        }
    }
}

Duration read_span(Table& table, std::string_view key, Duration least, Duration most) {
    const std::optional<Duration> span = table.quantity<Dimension::time>(key, Need::required);
    if (span && (*span < least || *span > most)) {
        table.error(table.place_of(key),
                    "'" + std::string(key) + "' must lie between " + print(least) + " and " + print(most));
    }
    return span.value_or(least);
}

void read_timing(Table& holder, InstrumentProfile& instrument) {
    std::optional<Table> timing = holder.table("timing", Need::required);
    if (!timing) {
        return;
    }
    instrument.answer = read_span(*timing, "answer", 10_ms, answer_most);
    instrument.pause = read_span(*timing, "pause", 0_s, pause_most);
    instrument.quiet = read_span(*timing, "quiet", 5_ms, pause_most);
    instrument.settle = read_span(*timing, "settle", 0_s, settle_most);
}

void read_identify(Table& holder, InstrumentProfile& instrument) {
    std::optional<Table> identify = holder.table("identify", Need::required);
    if (!identify) {
        return;
    }
    instrument.identity.ask = read_line(*identify, "ask", LineUse::question, Need::required);
    if (!identify->has("begins")) {
        identify->error(identify->place(), "[" + identify->path() +
                                               "] needs 'begins': how the answer of the instrument that is meant "
                                               "begins, such as begins = [\"maker,model\"]");
    }
    instrument.identity.begins = identify->texts("begins").value_or(std::vector<std::string>{});
    for (std::size_t i = 0; i < instrument.identity.begins.size(); ++i) {
        if (instrument.identity.begins[i].empty()) {
            identify->error(identify->place_of_element("begins", i),
                            "an empty text fits every instrument; write how the answer of yours begins");
        }
    }
    if (identify->has_empty_list("begins")) {
        identify->error(identify->place_of("begins"), "'begins' is empty, so that no instrument fits");
    }
}

void read_sense(Table& holder, InstrumentProfile& instrument) {
    std::optional<Table> sense = holder.table("sense", Need::required);
    if (!sense) {
        return;
    }
    if (const std::optional<std::size_t> fixed = sense->word("fixed", wirings)) {
        instrument.sense.fixed_four_wire = *fixed == 0;
        return;
    }
    if (sense->has("fixed")) {
        return;
    }
    if (sense->empty()) {
        sense->error(sense->place(),
                     "[sense] says how the cell is wired: fixed = \"four wire\" or \"two wire\" where a "
                     "switch or strap decides, else the lines 'four_wire', 'two_wire' and 'read'");
        return;
    }
    instrument.sense.four_wire = read_line(*sense, "four_wire", LineUse::command, Need::required);
    instrument.sense.two_wire = read_line(*sense, "two_wire", LineUse::command, Need::required);
    instrument.sense.read = read_line(*sense, "read", LineUse::question, Need::required);
}

template <Dimension D>
std::int64_t positive(Table& table, std::string_view key) {
    const std::optional<Quantity<D>> value = table.quantity<D>(key, Need::required);
    if (value && value->count <= 0) {
        table.error(table.place_of(key), "'" + std::string(key) + "' must be above zero");
    }
    return std::max<std::int64_t>(value.value_or(Quantity<D>{1}).count, 1);
}

template <Dimension D>
Setting read_setting(Table& table, bool has_min) {
    Setting setting;
    setting.set = read_line(table, "set", LineUse::setting, Need::required);
    setting.read = read_line(table, "read", LineUse::question, Need::required);
    if (has_min) {
        setting.min = table.quantity<D>("min", Need::required).value_or(Quantity<D>{}).count;
    }
    setting.max = positive<D>(table, "max");
    setting.resolution = positive<D>(table, "resolution");
    if (setting.min >= setting.max && table.has("max") && (table.has("min") || !has_min)) {
        table.error(table.place_of("max"), "'max' must lie above 'min'");
    }
    return setting;
}

template <Dimension D>
Measure read_measure(Table& table, std::string_view key) {
    Measure measure;
    measure.ask = read_line(table, key, LineUse::question, Need::required);
    measure.accuracy = positive<D>(table, "accuracy");
    measure.resolution = positive<D>(table, "digit");
    measure.unit = table.text("unit").value_or("");
    return measure;
}

void read_rest_of_instrument(Table& holder, InstrumentProfile& instrument) {
    if (std::optional<Table> status = holder.table("status")) {
        instrument.clear = read_line(*status, "clear", LineUse::command, Need::optional);
        instrument.events = read_line(*status, "events", LineUse::question, Need::optional);
    }
    if (std::optional<Table> errors = holder.table("errors")) {
        instrument.errors = read_line(*errors, "read", LineUse::question, Need::required);
    }
    if (std::optional<Table> panel = holder.table("panel")) {
        instrument.remote = read_line(*panel, "remote", LineUse::command, Need::optional);
        instrument.lock = read_line(*panel, "lock", LineUse::command, Need::optional);
    }
    if (std::optional<Table> replies = holder.table("replies")) {
        instrument.prefix = replies->text("prefix").value_or("");
    }
    if (std::optional<Table> thermometer = holder.table("temperature")) {
        Measure measure;
        measure.ask = read_line(*thermometer, "measure", LineUse::question, Need::required);
        measure.unit = thermometer->text("unit").value_or("");
        instrument.temperature = measure;
    }
}

// --- [source], [supply], [load] --------------------------------------------------------------------------------------

void read_switch(Table& table, OutputProfile& output) {
    std::optional<Table> outputs = table.table("output");
    if (!outputs) {
        table.error(table.place(), "[" + table.path() +
                                       "] says no way to switch the output off and to read that back; without [" +
                                       table.path() + ".output] with 'on', 'off' and 'read' no cell may hang on it");
        return;
    }
    output.on = read_line(*outputs, "on", LineUse::command, Need::required);
    output.off = read_line(*outputs, "off", LineUse::command, Need::required);
    output.state = read_line(*outputs, "read", LineUse::question, Need::required);
    if (!output.on.empty() && output.on.text == output.off.text) {
        outputs->error(output.off.place, "'off' is the same line as 'on'");
    }
}

void read_off(Table& table, OutputProfile& output) {
    output.off_state = static_cast<OffState>(table.word("off_state", off_states, Need::required).value_or(2));
    const auto leak = table.quantity<Dimension::current>("off_current_max", Need::required);
    output.off_current_max = leak.value_or(Current{});
    const std::optional<std::size_t> own = table.word("own_protection", protections, Need::required);
    output.own_protection = static_cast<OwnProtection>(own.value_or(0));
    const bool isolated = table.truth("crowbar_isolated").value_or(false);
    if (output.own_protection == OwnProtection::crowbar && !isolated) {
        table.error(table.place_of("own_protection"),
                    "a crowbar shorts the cell; put a diode and a fuse in series and say crowbar_isolated = true, or "
                    "use another instrument");
    }
}

void read_order(Table& table, OutputProfile& output) {
    const std::optional<std::vector<std::string>> words = table.texts("order", Need::required);
    if (!words) {
        return;
    }
    for (std::size_t i = 0; i < words->size(); ++i) {
        const auto found = std::find(order_words.begin(), order_words.end(), (*words)[i]);
        if (found == order_words.end()) {
            const std::string_view near = nearest((*words)[i], order_words);
            table.error(table.place_of_element("order", i),
                        "'" + escaped((*words)[i]) + "' is no setting of an order" +
                            (near.empty() ? "" : "; did you mean '" + std::string(near) + "'?") +
                            " There are \"zero current\", \"voltage\" and \"current\"");
            return;
        }
        output.order.push_back(static_cast<OrderWord>(found - order_words.begin()));
    }
    const std::vector<OrderWord> with_zero{OrderWord::zero_current, OrderWord::voltage, OrderWord::current};
    const std::vector<OrderWord> without{OrderWord::voltage, OrderWord::current};
    if (output.order != with_zero && output.order != without &&
        output.order != std::vector<OrderWord>{OrderWord::current, OrderWord::voltage}) {
        table.error(
            table.place_of("order"),
            "'order' names the settings in the order in which they are changed: [\"zero current\", \"voltage\", "
            "\"current\"], [\"voltage\", \"current\"] or [\"current\", \"voltage\"]");
    }
}

void read_voltage(Table& table, OutputRole role, OutputProfile& output) {
    if (std::optional<Table> voltage = table.table("voltage", Need::required)) {
        if (role != OutputRole::load) {
            output.voltage = read_setting<Dimension::voltage>(*voltage, true);
        }
        output.voltage_measure = read_measure<Dimension::voltage>(*voltage, "measure");
        if (voltage->has("terminals")) {
            output.terminals = output.voltage_measure;
            output.terminals->ask = read_line(*voltage, "terminals", LineUse::question, Need::required);
        }
    }
    if (role == OutputRole::load) {
        if (std::optional<Table> cut_off = table.table("cut_off", Need::required)) {
            output.voltage = read_setting<Dimension::voltage>(*cut_off, true);
        }
    }
}

void read_current(Table& table, OutputRole role, OutputProfile& output) {
    if (std::optional<Table> current = table.table("current", Need::required)) {
        output.current = read_setting<Dimension::current>(*current, false);
        output.current_measure = read_measure<Dimension::current>(*current, "measure");
    }
    if (role == OutputRole::two_quadrant) {
        if (std::optional<Table> sink = table.table("sink", Need::required)) {
            output.sink = read_setting<Dimension::current>(*sink, false);
        }
    }
}

void read_protection(Table& table, OutputRole role, OutputProfile& output) {
    if (std::optional<Table> protection =
            table.table("protection", role == OutputRole::load ? Need::optional : Need::required)) {
        output.protection = read_setting<Dimension::voltage>(*protection, true);
        output.protection_on = read_line(*protection, "on", LineUse::command, Need::optional);
        output.protection_state = read_line(*protection, "state", LineUse::question, Need::optional);
        if (output.protection_on.empty() != output.protection_state.empty() &&
            protection->has("on") != protection->has("state")) {
            protection->error(protection->place(),
                              "'on' and 'state' belong together: what switches the protection on, and what tells that "
                              "it is");
        }
        output.protection_clear = read_line(*protection, "clear", LineUse::command, Need::optional);
        output.protection_tripped = read_line(*protection, "tripped", LineUse::question, Need::optional);
    }
    if (std::optional<Table> protection = table.table("current_protection")) {
        output.current_protection = read_setting<Dimension::current>(*protection, false);
    }
}

void read_charge(Table& table, OutputProfile& output) {
    if (std::optional<Table> charge = table.table("charge")) {
        ChargeCount count;
        count.ask = read_line(*charge, "measure", LineUse::question, Need::required);
        count.unit = charge->text("unit").value_or("");
        count.ampere_hours = charge_units_in_ah[charge->word("counts", charge_units, Need::required).value_or(0)];
        output.charge = count;
    }
}

void read_mode(Table& table, OutputProfile& output) {
    std::optional<Table> mode = table.table("mode");
    if (!mode) {
        return;
    }
    output.mode = read_line(*mode, "read", LineUse::question, Need::required);
    output.mode_current = mode->texts("constant_current", Need::required).value_or(std::vector<std::string>{});
    output.mode_voltage = mode->texts("constant_voltage", Need::required).value_or(std::vector<std::string>{});
    for (const std::string& word : output.mode_voltage) {
        if (std::find(output.mode_current.begin(), output.mode_current.end(), word) != output.mode_current.end()) {
            mode->error(mode->place_of("constant_voltage"),
                        "'" + escaped(word) + "' cannot mean constant current and constant voltage");
        }
    }
}

void read_contactor(Table& table, OutputProfile& output) {
    std::optional<Table> contactor = table.table("contactor");
    if (!contactor) {
        return;
    }
    output.contactor = ContactorProfile{read_line(*contactor, "close", LineUse::command, Need::required),
                                        read_line(*contactor, "open", LineUse::command, Need::required),
                                        read_line(*contactor, "read", LineUse::question, Need::required)};
    if (!output.terminals) {
        contactor->error(contactor->place(), "a contactor needs 'terminals' in [" + table.path() +
                                                 ".voltage]: without the voltage on its near side nobody can tell that "
                                                 "the stage is where the cell is, nor that it has opened");
    }
    if (!output.contactor->close.empty() && output.contactor->close.text == output.contactor->open.text) {
        contactor->error(output.contactor->open.place, "'open' is the same line as 'close'");
    }
}

// A line copied and not changed sets one thing where another was meant.
void refuse_twins(Table& table, const OutputProfile& output) {
    std::vector<const LineText*> lines{&output.on,
                                       &output.off,
                                       &output.state,
                                       &output.voltage.set,
                                       &output.voltage.read,
                                       &output.current.set,
                                       &output.current.read,
                                       &output.voltage_measure.ask,
                                       &output.current_measure.ask,
                                       &output.protection.set,
                                       &output.protection.read,
                                       &output.mode};
    for (const std::optional<Setting>* more : {&output.sink, &output.current_protection}) {
        if (*more) {
            lines.push_back(&(*more)->set);
            lines.push_back(&(*more)->read);
        }
    }
    for (std::size_t i = 0; i < lines.size(); ++i) {
        for (std::size_t j = 0; j < i; ++j) {
            if (!lines[i]->empty() && lines[i]->text == lines[j]->text) {
                const LineText& later = std::max(
                    *lines[i], *lines[j], [](const LineText& a, const LineText& b) { return a.place < b.place; });
                const LineText& first = &later == lines[i] ? *lines[j] : *lines[i];
                table.error(later.place, "the same line stands in line " + std::to_string(first.place.line) +
                                             " for something else; one of the two is a copy");
            }
        }
    }
}

}  // namespace

std::optional<std::size_t> read_head(Table& root, std::span<const std::string_view> kinds, std::string& title) {
    if (const auto format = root.count("format", Need::required); format && *format != 1) {
        root.error(root.place_of("format"),
                   "this slowfilm reads instrument profiles of format 1, not " + std::to_string(*format));
    }
    title = root.text("title", Need::required).value_or("");
    return root.word("kind", kinds, Need::required);
}

InstrumentProfile read_instrument(Table& holder) {
    InstrumentProfile instrument;
    read_port(holder, instrument);
    read_timing(holder, instrument);
    read_identify(holder, instrument);
    read_sense(holder, instrument);
    read_rest_of_instrument(holder, instrument);
    return instrument;
}

OutputProfile read_output(Table& table, OutputRole role) {
    OutputProfile output;
    read_switch(table, output);
    read_off(table, output);
    read_order(table, output);
    read_voltage(table, role, output);
    read_current(table, role, output);
    read_protection(table, role, output);
    read_mode(table, output);
    read_charge(table, output);
    read_contactor(table, output);
    for (Table& setup : table.tables("setup")) {
        output.setup.push_back({read_line(setup, "set", LineUse::command, Need::required),
                                read_line(setup, "read", LineUse::question, Need::required),
                                setup.text("expect", Need::required).value_or("")});
    }
    refuse_twins(table, output);
    return output;
}

}  // namespace slowfilm::channel::detail
