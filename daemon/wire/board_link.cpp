#include "daemon/wire/board_link.hpp"

#include "daemon/core/decimal.hpp"

#include <array>
#include <bit>
#include <initializer_list>
#include <span>
#include <utility>

namespace slowfilm::wire {

namespace {

using board::Field;
using board::LineWriter;
using board::Record;

constexpr std::int64_t per_micro = 1'000;  // nV in a uV, nA in a uA, us in a ms
constexpr std::int64_t link_version = 1;

template <class... Kinds>
struct overloaded : Kinds... {
    using Kinds::operator()...;
};
template <class... Kinds>
overloaded(Kinds...) -> overloaded<Kinds...>;  // clang 14 asks for it

std::int64_t toward_zero(std::int64_t nano) {
    return nano / per_micro;
}
std::int64_t down(std::int64_t nano) {
    return nano / per_micro - (nano % per_micro < 0 ? 1 : 0);
}
std::int64_t up(std::int64_t nano) {
    return nano / per_micro + (nano % per_micro > 0 ? 1 : 0);
}
std::int64_t nearest(std::int64_t nano) {
    return multiply_divide(nano, 1, per_micro);
}

// --- Host to board

std::string finished(LineWriter& line) {
    const std::size_t size = line.finish();
    return {line.bytes(), size};
}

LineWriter command(const char* word, std::uint32_t number) {
    LineWriter line{board::from_host, word};
    line.add("n", number);
    return line;
}

const char* word_of(BoardQuestion question) {
    switch (question) {
        case BoardQuestion::heartbeat: return "hb";
        case BoardQuestion::state: return "get";
        case BoardQuestion::identity: return "id";
        case BoardQuestion::limits: return "rlim";
        case BoardQuestion::setting: return "rset";
        case BoardQuestion::clear: return "clr";
    }
    return "";
}

std::string encode_limits(const BoardLimits& limits, std::uint32_t number) {
    LineWriter line = command("lim", number);
    line.add("vmax", down(limits.voltage_max.count))
        .add("vmin", up(limits.voltage_min.count))
        .add("imax", toward_zero(limits.current_max.count))
        .add("tmax", limits.temperature_max ? limits.temperature_max->count : 0)
        .add("wd", toward_zero(limits.watchdog.count));
    return finished(line);
}

std::string encode_demand(const Demand& demand, std::uint32_t number) {
    LineWriter line = std::visit(overloaded{
                                     [&](const Open&) { return command("off", number); },
                                     [&](const DriveCurrent& drive) {
                                         LineWriter cc = command("cc", number);
                                         cc.add("i", toward_zero(drive.current.count))
                                             .add("ceil", down(drive.ceiling.count))
                                             .add("flr", up(drive.floor.count));
                                         return cc;
                                     },
                                     [&](const HoldVoltage& hold) {
                                         LineWriter cv = command("cv", number);
                                         cv.add("v", nearest(hold.voltage.count))
                                             .add("src", toward_zero(hold.source_max.count))
                                             .add("snk", toward_zero(hold.sink_max.count));
                                         return cv;
                                     },
                                 },
                                 demand);
    return finished(line);
}

std::string encode(const BoardCommand& what, std::uint32_t number) {
    return std::visit(overloaded{
                          [&](BoardQuestion question) {
                              LineWriter line = command(word_of(question), number);
                              return finished(line);
                          },
                          [&](const BoardLimits& limits) { return encode_limits(limits, number); },
                          [&](const Demand& demand) { return encode_demand(demand, number); },
                      },
                      what);
}

// --- Board to host

// Beyond these no count fits a core quantity times a thousand with room for sums.
constexpr std::int64_t micro_most = 1'000'000'000'000;

// The fields of a reply; all must be there and in range, or nothing of it is taken.
class Fields {
  public:
    explicit Fields(const Record& record) : record_{record} {}

    [[nodiscard]] std::int64_t whole(const char* key, std::int64_t least, std::int64_t most) {
        const Field* const field = record_.find(key);
        if (field == nullptr || field->failed || field->value < least || field->value > most) {
            good_ = false;
            return 0;
        }
        return field->value;
    }
    [[nodiscard]] std::uint32_t number(const char* key) {
        return static_cast<std::uint32_t>(whole(key, 0, 0xFFFF'FFFF));
    }
    [[nodiscard]] Voltage voltage(const char* key) { return {micro(key) * per_micro}; }
    [[nodiscard]] Current current(const char* key) { return {micro(key) * per_micro}; }
    [[nodiscard]] bool good() const { return good_; }

    // One that may be missing (not fitted) unless it `must` be there, that may have failed, or that may be implausible.
    template <class Q>
    [[nodiscard]] Reading<Q> reading(const char* key, Time time, std::int64_t scale, Q least, Q most, bool must) {
        const Field* const field = record_.find(key);
        if (field == nullptr) {
            good_ = good_ && !must;
            return {};
        }
        const bool in_range = field->value >= least.count / scale && field->value <= most.count / scale;
        if (field->failed || !in_range) {
            return {time, Q{}, Quality::bad};
        }
        return {time, Q{field->value * scale}, Quality::good};
    }

  private:
    [[nodiscard]] std::int64_t micro(const char* key) { return whole(key, -micro_most, micro_most); }

    const Record& record_;
    bool good_{true};
};

slowfilm::StageMode stage_mode(std::int64_t mode) {
    constexpr std::array modes{slowfilm::StageMode::open, slowfilm::StageMode::constant_current,
                               slowfilm::StageMode::at_ceiling, slowfilm::StageMode::at_floor,
                               slowfilm::StageMode::constant_voltage};
    return modes[static_cast<std::size_t>(mode)];
}

// FNV-1a over what the converters gave.
std::uint32_t hash_of_readings(const Record& record) {
    std::uint32_t hash = 2'166'136'261U;
    for (const char* const key : {"v", "u", "i", "T", "a"}) {
        const Field* const field = record.find(key);
        const bool there = field != nullptr && !field->failed;
        auto value = there ? static_cast<std::uint64_t>(field->value) : 0U;
        for (int byte = 0; byte < 8; ++byte, value >>= 8U) {
            hash = (hash ^ static_cast<std::uint32_t>(value & 0xFFU)) * 16'777'619U;
        }
    }
    return hash;
}

Result<BoardReply, BoardFault> malformed() {
    return tl::unexpected<BoardFault>{BoardFault::malformed};
}

Result<BoardReply, BoardFault> read_state(const Record& record, Time asked) {
    Fields fields{record};
    BoardState state;
    Sample& sample = state.sample;
    sample.voltage = fields.reading("v", asked, per_micro, -voltage_plausible_max, voltage_plausible_max, true);
    sample.terminals = fields.reading("u", asked, per_micro, -voltage_plausible_max, voltage_plausible_max, false);
    sample.current = fields.reading("i", asked, per_micro, -current_plausible_max, current_plausible_max, true);
    sample.temperature = fields.reading("T", asked, 1, temperature_plausible_min, temperature_plausible_max, false);
    sample.ambient = fields.reading("a", asked, 1, temperature_plausible_min, temperature_plausible_max, false);
    sample.mode = stage_mode(fields.whole("m", 0, 4));
    sample.raw_hash = hash_of_readings(record);
    state.contactor = static_cast<board::Contactor>(fields.whole("k", 0, 3));
    constexpr std::int64_t charge_most = 9'000'000'000'000;  // uC; 2500 Ah, as pC within int64
    state.charge = {fields.whole("q", -charge_most, charge_most) * 1'000'000};
    state.flags = fields.number("f");
    state.uptime = {fields.whole("t", 0, 9'000'000'000'000'000) * per_micro};
    state.refused_lines = fields.whole("e", 0, 0x7FFF'FFFF'FFFF'FFFF);
    return fields.good() ? Result<BoardReply, BoardFault>{state} : malformed();
}

Result<BoardReply, BoardFault> read_board_identity(const Record& record) {
    Fields fields{record};
    BoardIdentity identity;
    const std::int64_t version = fields.whole("link", link_version, link_version);
    identity.kind = fields.number("kind");
    identity.serial = fields.number("ser");
    identity.firmware = fields.number("fw");
    identity.voltage_min = fields.voltage("vmin");
    identity.voltage_max = fields.voltage("vmax");
    identity.source_max = fields.current("src");
    identity.sink_max = fields.current("snk");
    const auto fit = static_cast<unsigned>(fields.whole("fit", 0, 15));
    identity.reads_terminals = (fit & 1U) != 0;
    identity.has_thermometer = (fit & 2U) != 0;
    identity.has_ambient = (fit & 4U) != 0;
    identity.has_contactor = (fit & 8U) != 0;
    const bool possible = version == link_version && identity.voltage_min < identity.voltage_max &&
                          identity.source_max.count >= 0 && identity.sink_max.count >= 0;
    return fields.good() && possible ? Result<BoardReply, BoardFault>{identity} : malformed();
}

Result<BoardReply, BoardFault> read_limits(const Record& record) {
    Fields fields{record};
    BoardLimits limits;
    limits.voltage_max = fields.voltage("vmax");
    limits.voltage_min = fields.voltage("vmin");
    limits.current_max = fields.current("imax");
    if (const std::int64_t most = fields.whole("tmax", 0, 1'000'000); most != 0) {
        limits.temperature_max = Temperature{most};
    }
    limits.watchdog = {fields.whole("wd", 0, micro_most) * per_micro};
    return fields.good() ? Result<BoardReply, BoardFault>{limits} : malformed();
}

Result<BoardReply, BoardFault> read_demand(const Record& record) {
    Fields fields{record};
    Demand demand = Open{};
    if (record.is("cc")) {
        demand = DriveCurrent{fields.current("i"), fields.voltage("ceil"), fields.voltage("flr")};
    } else if (record.is("cv")) {
        demand = HoldVoltage{fields.voltage("v"), fields.current("src"), fields.current("snk")};
    }
    return fields.good() ? Result<BoardReply, BoardFault>{demand} : malformed();
}

// Whether a reply is of the kind that the command asks for. A refusal always may come, but never of "off".
bool answers(const BoardCommand& asked, const BoardReply& reply) {
    if (std::holds_alternative<BoardRefusal>(reply)) {
        const auto* const demand = std::get_if<Demand>(&asked);
        return demand == nullptr || !is_open(*demand);
    }
    return std::visit(overloaded{
                          [&](BoardQuestion question) {
                              switch (question) {
                                  case BoardQuestion::heartbeat:
                                  case BoardQuestion::state:
                                  case BoardQuestion::clear: return std::holds_alternative<BoardState>(reply);
                                  case BoardQuestion::identity: return std::holds_alternative<BoardIdentity>(reply);
                                  case BoardQuestion::limits: return std::holds_alternative<BoardLimits>(reply);
                                  case BoardQuestion::setting: return std::holds_alternative<Demand>(reply);
                              }
                              return false;
                          },
                          [&](const BoardLimits&) { return std::holds_alternative<BoardLimits>(reply); },
                          [&](const Demand& demand) {
                              const auto* const said = std::get_if<Demand>(&reply);
                              return said != nullptr && said->index() == demand.index();
                          },
                      },
                      asked);
}

}  // namespace

BoardLimits as_sent(const BoardLimits& limits) {
    return {{down(limits.voltage_max.count) * per_micro},
            {up(limits.voltage_min.count) * per_micro},
            {toward_zero(limits.current_max.count) * per_micro},
            limits.temperature_max,
            {toward_zero(limits.watchdog.count) * per_micro}};
}

Demand as_sent(const Demand& demand) {
    return std::visit(overloaded{
                          [](const Open& open) { return Demand{open}; },
                          [](const DriveCurrent& drive) {
                              return Demand{DriveCurrent{{toward_zero(drive.current.count) * per_micro},
                                                         {down(drive.ceiling.count) * per_micro},
                                                         {up(drive.floor.count) * per_micro}}};
                          },
                          [](const HoldVoltage& hold) {
                              return Demand{HoldVoltage{{nearest(hold.voltage.count) * per_micro},
                                                        {toward_zero(hold.source_max.count) * per_micro},
                                                        {toward_zero(hold.sink_max.count) * per_micro}}};
                          },
                      },
                      demand);
}

Result<BoardReply, BoardFault> read_board_reply(const Record& record, Time asked) {
    if (record.is("st")) {
        return read_state(record, asked);
    }
    if (record.is("id")) {
        return read_board_identity(record);
    }
    if (record.is("lim")) {
        return read_limits(record);
    }
    if (record.is("cc") || record.is("cv") || record.is("off")) {
        return read_demand(record);
    }
    if (record.is("no")) {
        Fields fields{record};
        const BoardRefusal refusal{static_cast<std::uint8_t>(fields.whole("why", 1, 255))};
        return fields.good() ? Result<BoardReply, BoardFault>{refusal} : malformed();
    }
    return malformed();
}

std::string BoardHost::ask(const BoardCommand& command, Time now) {
    number_ = number_ == 0xFFFF'FFFFU ? 1 : number_ + 1;
    asked_ = Asked{number_, command, now};
    if (!alive_) {
        alive_ = now;
    }
    return encode(command, number_);
}

std::vector<BoardAnswer> BoardHost::push(std::string_view bytes, Time now) {
    std::vector<BoardAnswer> answers;
    for (const char byte : bytes) {
        switch (lines_.on_byte(byte)) {
            case board::LineAssembler::Got::nothing: continue;
            case board::LineAssembler::Got::garbled:
                note(false);
                answers.push_back(tl::unexpected<BoardFault>{BoardFault::garbled});
                continue;
            case board::LineAssembler::Got::too_long:
                note(false);
                answers.push_back(tl::unexpected<BoardFault>{BoardFault::too_long});
                continue;
            case board::LineAssembler::Got::line: break;
        }
        note(true);
        Record record;
        const bool whole = take_apart(lines_.content(), lines_.size(), record);
        answers.push_back(record.direction == board::from_host
                              ? BoardAnswer{tl::unexpected<BoardFault>{BoardFault::echo}}
                          : whole ? judge(record, now)
                                  : BoardAnswer{malformed()});
    }
    return answers;
}

BoardAnswer BoardHost::judge(const Record& record, Time now) {
    Fields fields{record};
    const auto number = fields.number("n");
    const auto boot = static_cast<std::uint32_t>(fields.whole("boot", 1, 0xFFFF'FFFF));
    if (!fields.good()) {
        return malformed();
    }
    if (boot_ && *boot_ != boot) {  // even out of step: whatever it answers, its settings are gone
        boot_ = boot;
        asked_.reset();
        return tl::unexpected<BoardFault>{BoardFault::rebooted};
    }
    if (!asked_ || asked_->number != number) {
        return tl::unexpected<BoardFault>{BoardFault::out_of_step};
    }
    const Asked asked = *std::exchange(asked_, std::nullopt);
    BoardAnswer answer = read_board_reply(record, asked.time);
    if (!answer) {
        return answer;
    }
    if (!answers(asked.command, *answer)) {
        return tl::unexpected<BoardFault>{BoardFault::unexpected};
    }
    boot_ = boot;
    alive_ = now;
    return answer;
}

void BoardHost::note(bool good) {
    recent_ = static_cast<std::uint16_t>((static_cast<unsigned>(recent_) << 1U) | (good ? 0U : 1U));
    garbled_ += good ? 0 : 1;
}

void BoardHost::reset() {
    lines_.reset();
    asked_.reset();
    recent_ = 0;
}

bool BoardHost::stale(Time now, Duration limit) const {
    return alive_ && !(now - *alive_ <= limit);
}

bool BoardHost::garbled_burst() const {
    constexpr unsigned in_a_row = 0b111U;
    constexpr int among_sixteen = 8;
    return (recent_ & in_a_row) == in_a_row || std::popcount(recent_) >= among_sixteen;
}

std::string BoardHost::off_frame() {
    return "\n" + encode(Demand{Open{}}, 0);
}

std::string_view describe(BoardFault fault) {
    switch (fault) {
        case BoardFault::garbled: return "a line came garbled: check the cable, its shield and the baud rate";
        case BoardFault::too_long: return "more than 512 bytes came without a line's end: this is no channel board";
        case BoardFault::echo: return "our own line came back: the adapter echoes, or the board is off";
        case BoardFault::malformed: return "a whole line came that is no reply of link version 1: check the firmware";
        case BoardFault::out_of_step: return "the answer to another question came and was dropped";
        case BoardFault::rebooted: return "the board has restarted: its limits and settings are gone";
        case BoardFault::unexpected: return "the board answered something else than was asked";
    }
    return "";
}

std::string describe(const BoardRefusal& refusal) {
    switch (static_cast<board::Why>(refusal.why)) {
        case board::Why::unknown_word: return "the board does not know this command: check its firmware";
        case board::Why::malformed: return "the board could not read the command: check its firmware";
        case board::Why::out_of_order:
            return "the command's number is not newer than the last: send off, which starts anew";
        case board::Why::latched: return "the board is latched open: look at why, then clear it";
        case board::Why::no_limits: return "the board has no limits: write them first";
        case board::Why::limits_not_read: return "the limits were not read back: ask for them first";
        case board::Why::no_heartbeat: return "no heartbeat came in time: send one first";
        case board::Why::outside_fitted: return "the board cannot do this: its rating is less";
        case board::Why::outside_limits: return "this is beyond the limits that were written to the board";
        case board::Why::output_closed: return "the board does this only with its output open";
        case board::Why::stage_failed: return "the board's power stage did not take it";
        case board::Why::cause_lasts: return "a reading is outside the board's limits, or a sensor has failed";
    }
    return "the board refuses with a reason of its own, number " + std::to_string(refusal.why);
}

std::string describe_latch(std::uint32_t flags) {
    constexpr std::array<std::pair<board::Flag, std::string_view>, 7> causes{
        {{board::no_heartbeat, "no heartbeat came"},
         {board::over_voltage, "over-voltage"},
         {board::under_voltage, "under-voltage"},
         {board::over_current, "over-current"},
         {board::over_temperature, "over-temperature"},
         {board::sensor_failed, "a sensor failed"},
         {board::stage_failed, "the power stage failed"}}};
    std::string text;
    for (const auto& [flag, words] : causes) {
        if ((flags & flag) != 0) {
            text += (text.empty() ? "" : "; ") + std::string{words};
        }
    }
    return text;
}

}  // namespace slowfilm::wire
