// What the virtual instruments of SCPI understand: one table, and what each row does.
#include "daemon/core/text.hpp"
#include "sim/instrument/scpi_instrument.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

namespace slowfilm::sim::instrument {

enum class ScpiInstrument::Row : std::uint8_t {
    // IEEE 488.2
    identity,
    reset,
    clear,
    event_enable,
    event,
    complete,
    service_enable,
    status_byte,
    test,
    wait,
    // The instrument
    error,
    error_count,
    version,
    remote,
    local,
    lock,
    sense,
    questionable_event,
    questionable_condition,
    questionable_enable,
    operation_event,
    operation_enable,
    preset,
    select,
    // One output
    voltage,
    current,
    sink,
    low,
    protection,
    current_protection,
    protection_state,
    current_protection_state,
    protection_tripped,
    current_protection_tripped,
    protection_clear,
    output,
    mode,
    function,
    close,
    open,
    // Its meters
    read_voltage,
    read_terminals,
    read_current,
    read_charge,
    read_temperature
};

struct ScpiInstrument::Command {
    std::string_view pattern;
    Row row;
    bool asks, tells;               // with and without '?'
    std::size_t least{0}, most{0};  // parameters when it tells; a question takes one (MIN, MAX) or none
};

const ScpiInstrument::Command ScpiInstrument::commands[] = {
    {"*IDN", Row::identity, true, false},
    {"*RST", Row::reset, false, true},
    {"*CLS", Row::clear, false, true},
    {"*ESE", Row::event_enable, true, true, 1, 1},
    {"*ESR", Row::event, true, false},
    {"*OPC", Row::complete, true, true},
    {"*SRE", Row::service_enable, true, true, 1, 1},
    {"*STB", Row::status_byte, true, false},
    {"*TST", Row::test, true, false},
    {"*WAI", Row::wait, false, true},
    {"SYSTem:ERRor[:NEXT]", Row::error, true, false},
    {"SYSTem:ERRor:COUNt", Row::error_count, true, false},
    {"SYSTem:VERSion", Row::version, true, false},
    {"SYSTem:REMote", Row::remote, false, true},
    {"SYSTem:LOCal", Row::local, false, true},
    {"SYSTem:RWLock", Row::lock, false, true},
    {"SYSTem:RSENse", Row::sense, true, true, 1, 1},
    {"STATus:QUEStionable[:EVENt]", Row::questionable_event, true, false},
    {"STATus:QUEStionable:CONDition", Row::questionable_condition, true, false},
    {"STATus:QUEStionable:ENABle", Row::questionable_enable, true, true, 1, 1},
    {"STATus:OPERation[:EVENt]", Row::operation_event, true, false},
    {"STATus:OPERation:CONDition", Row::operation_event, true, false},
    {"STATus:OPERation:ENABle", Row::operation_enable, true, true, 1, 1},
    {"STATus:PRESet", Row::preset, false, true},
    {"INSTrument:NSELect", Row::select, true, true, 1, 1},
    {"[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", Row::voltage, true, true, 1, 1},
    {"[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", Row::current, true, true, 1, 1},
    {"[SOURce:]CURRent:SINK[:LEVel]", Row::sink, true, true, 1, 1},
    {"[SOURce:]VOLTage:LOW[:LEVel]", Row::low, true, true, 1, 1},
    {"[SOURce:]VOLTage:PROTection[:LEVel]", Row::protection, true, true, 1, 1},
    {"[SOURce:]CURRent:PROTection[:LEVel]", Row::current_protection, true, true, 1, 1},
    {"[SOURce:]VOLTage:PROTection:STATe", Row::protection_state, true, true, 1, 1},
    {"[SOURce:]CURRent:PROTection:STATe", Row::current_protection_state, true, true, 1, 1},
    {"[SOURce:]VOLTage:PROTection:TRIPped", Row::protection_tripped, true, false},
    {"[SOURce:]CURRent:PROTection:TRIPped", Row::current_protection_tripped, true, false},
    {"[SOURce:]VOLTage:PROTection:CLEar", Row::protection_clear, false, true},
    {"[SOURce:]CURRent:PROTection:CLEar", Row::protection_clear, false, true},
    {"OUTPut:PROTection:CLEar", Row::protection_clear, false, true},
    {"OUTPut[:STATe]", Row::output, true, true, 1, 1},
    {"INPut[:STATe]", Row::output, true, true, 1, 1},
    {"[SOURce:]MODE", Row::mode, true, false},
    {"[SOURce:]FUNCtion[:MODE]", Row::function, true, true, 1, 1},
    {"ROUTe:CLOSe", Row::close, true, true, 0, 0},
    {"ROUTe:OPEN", Row::open, true, true, 0, 0},
    {"MEASure[:SCALar]:VOLTage[:DC]", Row::read_voltage, true, false},
    {"MEASure[:SCALar]:VOLTage:TERMinals", Row::read_terminals, true, false},
    {"MEASure[:SCALar]:CURRent[:DC]", Row::read_current, true, false},
    {"MEASure[:SCALar]:CHARge", Row::read_charge, true, false},
    {"MEASure[:SCALar]:TEMPerature", Row::read_temperature, true, false},
};

namespace {

constexpr unsigned mask_most = 0xFFFF;

bool is_letter(char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}
bool is_digit(char c) {
    return c >= '0' && c <= '9';
}
std::string upper(std::string_view text) {
    std::string out{text};
    for (char& c : out) {
        c = c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c;
    }
    return out;
}

// A number of one or two digits; 0 for anything else.
std::size_t small_number(std::string_view text) {
    std::size_t value = 0;
    if (text.empty() || text.size() > 2 || !std::all_of(text.begin(), text.end(), is_digit)) {
        return 0;
    }
    for (const char c : text) {
        value = 10 * value + static_cast<std::size_t>(c - '0');
    }
    return value;
}

enum class Suffixes : std::uint8_t { good, bad_header, bad_suffix };

// "SOUR2:VOLT?" to "SOUR:VOLT?" and 2 (0: none). All suffixes of a header must name the same output.
Suffixes strip_suffixes(std::string& header, std::size_t& output) {
    std::string plain;
    for (std::size_t at = 0; at < header.size();) {
        const char c = header[at];
        if (is_letter(c) || c == ':' || c == '*' || (c == '?' && at + 1 == header.size())) {
            plain += c;
            ++at;
            continue;
        }
        if (!is_digit(c) || plain.empty() || !is_letter(plain.back())) {
            return Suffixes::bad_header;
        }
        const std::size_t end = std::min(header.find_first_not_of("0123456789", at), header.size());
        const std::size_t number = small_number(std::string_view{header}.substr(at, end - at));
        if (number == 0 || (output != 0 && output != number)) {
            return Suffixes::bad_suffix;
        }
        output = number;
        at = end;
    }
    header = plain;
    return Suffixes::good;
}

// "(@1", "3:4)" as they were split at the comma, back in one piece.
void join_channel_list(std::vector<std::string>& parameters) {
    for (std::size_t at = 0; at + 1 < parameters.size(); ++at) {
        while (parameters[at].starts_with("(@") && !parameters[at].ends_with(')') && at + 1 < parameters.size()) {
            parameters[at] += "," + parameters[at + 1];
            parameters.erase(parameters.begin() + static_cast<std::ptrdiff_t>(at) + 1);
        }
    }
}

}  // namespace

// --- A message to its commands ---------------------------------------------------------------------------------------

std::string ScpiInstrument::obey(std::string_view message, Time now) {
    std::string answers;
    for (const wire::ProgramCommand& command : wire::split_program(message)) {
        if (!run(command, now, answers)) {
            break;  // after what it did not understand it knows nothing of the rest
        }
    }
    return answers.empty() ? answers : answers + "\n";
}

// What was understood once is found at once: an instrument is asked the same few questions for days.
const ScpiInstrument::Command* ScpiInstrument::find(const std::string& header, bool query) {
    constexpr std::size_t remembered_most = 256;
    if (const auto known = understood_.find(header); known != understood_.end()) {
        return known->second;
    }
    const std::string_view bare = std::string_view{header}.substr(0, header.size() - (query ? 1 : 0));
    const auto* const found = std::find_if(std::begin(commands), std::end(commands), [&](const Command& known) {
        return wire::header_matches(known.pattern, bare) && (query ? known.asks : known.tells);
    });
    const Command* const command = found == std::end(commands) ? nullptr : found;
    if (command != nullptr && understood_.size() < remembered_most) {
        understood_.emplace(header, command);
    }
    return command;
}

// False after a command error.
bool ScpiInstrument::run(const wire::ProgramCommand& command, Time now, std::string& answers) {
    std::string header;
    std::optional<Call> call = prepare(command, header, now);
    if (!call) {
        return false;
    }
    const Command* const found = find(header, call->query);
    if (found == nullptr) {
        status_.error(ScpiError::undefined_header);
        return false;
    }
    const std::size_t least = call->query ? 0 : found->least;
    const std::size_t most = call->query ? (found->most > 0 ? 1 : 0) : found->most;
    const std::size_t given = call->parameters.size();
    if (given < least || (given > 0 && call->parameters.front().empty())) {
        status_.error(ScpiError::missing_parameter);
        return false;
    }
    if (given > most) {
        status_.error(ScpiError::parameter_not_allowed);
        return false;
    }
    if (local(*found, *call)) {
        status_.error(ScpiError::local);
        return true;
    }
    if (found->row <= Row::wait) {
        obey_common(*found, *call);
    } else if (found->row <= Row::select) {
        obey_system(*found, *call);
    } else if (found->row <= Row::open) {
        obey_output(*found, *call);
    } else {
        measure(*found, *call);
    }
    if (!call->answer.empty()) {
        answers += (answers.empty() ? "" : ";") + call->answer;
    }
    return true;
}

// Outputs, header and parameters of a command; nothing where its form is wrong, which is then told.
std::optional<ScpiInstrument::Call> ScpiInstrument::prepare(const wire::ProgramCommand& command, std::string& header,
                                                            Time now) {
    Call call;
    call.now = now;
    call.parameters = command.parameters;
    header = command.header;
    std::size_t output = 0;
    switch (strip_suffixes(header, output)) {
        case Suffixes::good: break;
        case Suffixes::bad_header: status_.error(ScpiError::syntax); return std::nullopt;
        case Suffixes::bad_suffix: status_.error(ScpiError::suffix_out_of_range); return std::nullopt;
    }
    if (output > outputs_.size()) {
        status_.error(ScpiError::suffix_out_of_range);
        return std::nullopt;
    }
    call.query = header.ends_with('?');
    call.outputs = {output == 0 ? selected_ : output - 1};
    join_channel_list(call.parameters);
    if (!call.parameters.empty() && call.parameters.back().starts_with("(@") && !take_channels(call)) {
        status_.error(ScpiError::illegal_value);
        return std::nullopt;
    }
    return call;
}

// "(@1,3:4)" as outputs 0, 2 and 3.
bool ScpiInstrument::take_channels(Call& call) {
    std::string_view list = call.parameters.back();
    if (!list.ends_with(')')) {
        return false;
    }
    list.remove_prefix(2);
    list.remove_suffix(1);
    call.outputs.clear();
    while (true) {
        const std::size_t end = std::min(list.find(','), list.size());
        const std::string_view item = list.substr(0, end);
        const std::size_t colon = item.find(':');
        const std::size_t first = small_number(item.substr(0, colon));
        const std::size_t last = colon == std::string_view::npos ? first : small_number(item.substr(colon + 1));
        if (first == 0 || last < first || last > outputs_.size() || call.outputs.size() > outputs_.size()) {
            return false;
        }
        for (std::size_t output = first; output <= last; ++output) {
            call.outputs.push_back(output - 1);
        }
        if (end == list.size()) {
            break;
        }
        list.remove_prefix(end + 1);
    }
    call.parameters.pop_back();
    return true;
}

bool ScpiInstrument::local(const Command& command, const Call& call) const {
    return options_.remote_needed && !remote_ && !call.query && command.row > Row::wait && command.row != Row::remote &&
           command.row != Row::lock;
}

// --- Parameters ------------------------------------------------------------------------------------------------------

// In nano-units. NRf with or without its unit, MIN, MAX or DEF.
std::optional<std::int64_t> ScpiInstrument::number(const std::string& text, const Output::Range& range,
                                                   std::string_view unit) {
    const std::string word = upper(text);
    if (wire::header_matches("MINimum", word)) {
        return range.least;
    }
    if (wire::header_matches("MAXimum", word)) {
        return range.most;
    }
    if (wire::header_matches("DEFault", word)) {
        return range.reset;
    }
    const std::size_t last = word.find_last_of("0123456789.");
    std::string suffix = last == std::string::npos ? "" : word.substr(last + 1);
    suffix.erase(0, std::min(suffix.find_first_not_of(' '), suffix.size()));
    const double scale = suffix.empty() || suffix == unit    ? 1e9
                         : suffix == "M" + std::string{unit} ? 1e6
                         : suffix == "U" + std::string{unit} ? 1e3
                                                             : 0.0;
    const auto value = wire::read_number(word.substr(0, last == std::string::npos ? 0 : last + 1));
    if (!value && value.error() != wire::ReplyFault::over_range) {
        status_.error(ScpiError::data_type);
        return std::nullopt;
    }
    if (scale == 0.0) {
        status_.error(ScpiError::invalid_suffix);
        return std::nullopt;
    }
    constexpr double held_by_count = 9e18;
    const double nano = value ? std::round(*value * scale) : held_by_count;
    return static_cast<std::int64_t>(std::clamp(nano, -held_by_count, held_by_count));
}

// --- IEEE 488.2 and the instrument -----------------------------------------------------------------------------------

void ScpiInstrument::register_of(unsigned& mask, Call& call) {
    if (call.query) {
        call.answer = std::to_string(mask);
        return;
    }
    const Output::Range range{0, std::int64_t{mask_most} * 1'000'000'000, 1, 0};
    if (const auto value = number(call.parameters.front(), range, "")) {
        if (*value < 0 || *value > range.most) {
            status_.error(ScpiError::out_of_range);
        } else {
            mask = static_cast<unsigned>(*value / 1'000'000'000);
        }
    }
}

void ScpiInstrument::obey_common(const Command& command, Call& call) {
    if (command.row == Row::identity) {
        call.answer = other_model_ ? "unknown,another instrument,0,1"
                                   : "slowfilm,virtual " + options_.model + "," + options_.name + ",1";
    } else if (command.row == Row::reset) {
        for (const std::unique_ptr<Output>& output : outputs_) {
            output->reset(call.now);
        }
        selected_ = 0;
    } else if (command.row == Row::clear) {
        status_.clear();
    } else if (command.row == Row::event_enable) {
        register_of(status_.event_enable, call);
    } else if (command.row == Row::event) {
        call.answer = std::to_string(status_.take_event());
    } else if (command.row == Row::complete) {
        if (call.query) {
            call.answer = "1";
        } else {
            status_.operation_complete();
        }
    } else if (command.row == Row::service_enable) {
        register_of(status_.service_enable, call);
    } else if (command.row == Row::status_byte) {
        call.answer = std::to_string(status_.byte());
    } else if (command.row == Row::test) {
        call.answer = "0";
    }
}

void ScpiInstrument::obey_system(const Command& command, Call& call) {
    if (command.row == Row::error) {
        call.answer = status_.next_error();
    } else if (command.row == Row::error_count) {
        call.answer = std::to_string(status_.errors());
    } else if (command.row == Row::version) {
        call.answer = "1999.0";
    } else if (command.row == Row::remote) {
        remote_ = true;
    } else if (command.row == Row::local) {
        remote_ = panel_locked_ = false;
    } else if (command.row == Row::lock) {
        remote_ = panel_locked_ = true;
    } else if (command.row == Row::sense) {
        if (call.query) {
            call.answer = four_wire_ ? "1" : "0";
        } else if (const auto on = truth(call.parameters.front())) {
            four_wire_ = *on;
        }
    } else if (command.row == Row::questionable_event) {
        call.answer = std::to_string(status_.take_questionable());
    } else if (command.row == Row::questionable_condition) {
        call.answer = std::to_string(status_.questionable_condition());
    } else if (command.row == Row::questionable_enable) {
        register_of(status_.questionable_enable, call);
    } else if (command.row == Row::operation_event) {
        call.answer = "0";
    } else if (command.row == Row::operation_enable) {
        register_of(status_.operation_enable, call);
    } else if (command.row == Row::preset) {
        status_.questionable_enable = status_.operation_enable = 0;
    } else if (command.row == Row::select) {
        if (call.query) {
            call.answer = std::to_string(selected_ + 1);
        } else if (const std::size_t output = small_number(call.parameters.front());
                   output == 0 || output > outputs_.size()) {
            status_.error(ScpiError::out_of_range);
        } else {
            selected_ = output - 1;
        }
    }
}

// --- One output ------------------------------------------------------------------------------------------------------

void ScpiInstrument::for_each(Call& call, std::string (*tell)(Output&, Time)) {
    for (const std::size_t index : call.outputs) {
        call.answer += (call.answer.empty() ? "" : ",") + tell(*outputs_[index], call.now);
    }
}

void ScpiInstrument::setting(Setting which, Call& call) {
    const std::string_view unit =
        which == Setting::current || which == Setting::sink || which == Setting::current_protection ? "A" : "V";
    for (const std::size_t index : call.outputs) {
        Output& output = *outputs_[index];
        if (!output.has(which)) {
            status_.error(ScpiError::undefined_header);
            return;
        }
        std::optional<std::int64_t> value = output.get(which);
        if (!call.parameters.empty()) {
            value = number(call.parameters.front(), output.range(which), unit);
            if (!value) {
                return;
            }
        }
        if (call.query) {
            call.answer += (call.answer.empty() ? "" : ",") + written(static_cast<double>(*value) / 1e9);
            continue;
        }
        if (std::exchange(conflict_, false)) {
            output.conflict(call.now);
            status_.error(ScpiError::conflict);
            return;
        }
        switch (output.set(which, *value, call.now)) {
            case Output::Taken::yes: break;
            case Output::Taken::out_of_range: status_.error(ScpiError::out_of_range); return;
            case Output::Taken::conflict: status_.error(ScpiError::conflict); return;
        }
    }
}

void ScpiInstrument::obey_output(const Command& command, Call& call) {
    static constexpr std::pair<Row, Setting> settings[] = {
        {Row::voltage, Setting::voltage},
        {Row::current, Setting::current},
        {Row::sink, Setting::sink},
        {Row::low, Setting::low},
        {Row::protection, Setting::voltage_protection},
        {Row::current_protection, Setting::current_protection},
    };
    for (const auto& [row, which] : settings) {
        if (row == command.row) {
            return setting(which, call);
        }
    }
    if (command.row == Row::function) {
        if (call.query) {
            call.answer = "CURR";
        } else if (!wire::header_matches("CURRent", call.parameters.front())) {
            status_.error(ScpiError::illegal_value);
        }
    } else if (command.row == Row::mode) {
        for_each(call, [](Output& output, Time now) { return std::string{output.mode(now)}; });
    } else if (command.row == Row::protection_tripped) {
        for_each(call, [](Output& output, Time) {
            return std::string{output.tripped(Setting::voltage_protection) ? "1" : "0"};
        });
    } else if (command.row == Row::current_protection_tripped) {
        for_each(call, [](Output& output, Time) {
            return std::string{output.tripped(Setting::current_protection) ? "1" : "0"};
        });
    } else if (command.row == Row::protection_clear) {
        for (const std::size_t index : call.outputs) {
            outputs_[index]->clear_protection(call.now);
        }
    } else if (command.row == Row::close || command.row == Row::open) {
        for (const std::size_t index : call.outputs) {
            Output& output = *outputs_[index];
            if (!output.options().contactor) {
                status_.error(ScpiError::undefined_header);
                return;
            }
            if (call.query) {
                const bool asked = output.contactor_closed() == (command.row == Row::close);
                call.answer += std::string{call.answer.empty() ? "" : ","} + (asked ? "1" : "0");
            } else {
                output.switch_contactor(command.row == Row::close, call.now);
            }
        }
    } else {
        switch_state(command.row == Row::output             ? std::nullopt
                     : command.row == Row::protection_state ? std::optional{Setting::voltage_protection}
                                                            : std::optional{Setting::current_protection},
                     call);
    }
}

// Of the output itself, or of one of its protections.
void ScpiInstrument::switch_state(std::optional<Setting> protection, Call& call) {
    if (protection && !outputs_[call.outputs.front()]->has(*protection)) {
        status_.error(ScpiError::undefined_header);
        return;
    }
    if (call.query) {
        for (const std::size_t index : call.outputs) {
            const bool on = protection ? outputs_[index]->protects(*protection) : outputs_[index]->on();
            call.answer += std::string{call.answer.empty() ? "" : ","} + (on ? "1" : "0");
        }
        return;
    }
    const std::optional<bool> on = truth(call.parameters.front());
    for (const std::size_t index : call.outputs) {
        if (on && protection) {
            outputs_[index]->protect(*protection, *on, call.now);
        } else if (on) {
            outputs_[index]->switch_output(*on, call.now);
        }
    }
}

// --- Meters ----------------------------------------------------------------------------------------------------------

void ScpiInstrument::measure(const Command& command, Call& call) {
    for (const std::size_t index : call.outputs) {
        Output& output = *outputs_[index];
        const OutputOptions& options = output.options();
        const Sample sample = output.sample(call.now);
        std::string text;
        if (command.row == Row::read_voltage) {
            text = reading(volts(sample.voltage.value), sample.voltage.good(), volts(options.voltage_max));
        } else if (command.row == Row::read_current) {
            const Current end = options.kind == OutputKind::load ? options.sink_max : options.source_max;
            text = reading(amperes(sample.current.value), sample.current.good(), amperes(end));
        } else if (command.row == Row::read_charge) {
            text = reading(output.counted(), true, 1e6);  // Ah: it goes on for longer than anybody forms a cell
        } else if (command.row == Row::read_terminals && options.stage.reads_terminals) {
            text = reading(output.terminals(call.now) + amperes(sample.current.value) * options.stage.lead_resistance,
                           true, volts(options.voltage_max));
        } else if (command.row == Row::read_temperature && options.thermometer) {
            text = reading(celsius(sample.temperature.value), sample.temperature.good(), 150.0);
        } else {
            status_.error(ScpiError::undefined_header);
            call.answer.clear();
            return;
        }
        call.answer += (call.answer.empty() ? "" : ",") + text;
    }
}

}  // namespace slowfilm::sim::instrument
