#include "daemon/wire/board/board.hpp"

namespace slowfilm::wire::board {

namespace {

constexpr std::int64_t link_version = 1;
constexpr std::uint32_t longest_counted = 1'000;       // ms: over a longer pause between ticks no charge is counted
constexpr std::int64_t current_most = 10'000'000'000;  // uA; beyond it a reading is no current
constexpr std::int64_t temperature_most = 1'000'000;   // mK
constexpr std::uint32_t newest_ahead = 0x7FFF'FFFFU;

template <std::size_t N>
constexpr std::size_t length(const char* const (&)[N]) {
    return N;
}

// judge() walks from the one to the other.
static_assert(over_voltage << 4U == sensor_failed);

std::int64_t magnitude(std::int64_t value) {
    return value < 0 ? -value : value;
}

}  // namespace

Board::Board(const Hardware& hardware, const Fitted& fitted, std::uint32_t boot)
    : hardware_{hardware}, fitted_{fitted}, boot_{boot == 0 ? 1 : boot} {
    open();
}

std::uint32_t Board::flags() const {
    return (closed() ? std::uint32_t{output_closed} : 0U) | (causes_ != 0 ? std::uint32_t{latched} : 0U) |
           (limits_written_ ? std::uint32_t{limits_written} : 0U) | (limits_read_ ? std::uint32_t{limits_read} : 0U) |
           causes_;
}

// --- What comes

void Board::on_byte(char byte) {
    switch (lines_.on_byte(byte)) {
        case LineAssembler::Got::nothing: return;
        case LineAssembler::Got::line: on_line(take_apart(lines_.content(), lines_.size(), record_)); return;
        case LineAssembler::Got::garbled:
        case LineAssembler::Got::too_long: ++refused_; return;
    }
}

void Board::on_line(bool whole) {
    if (record_.direction != from_host) {
        return;  // an echo of our own; answering it would never end
    }
    const Field* const field = record_.find("n");
    const bool numbered = field != nullptr && !field->failed && field->value >= 0 && field->value <= 0xFFFF'FFFF;
    const std::uint32_t number = numbered ? static_cast<std::uint32_t>(field->value) : 0U;
    if (record_.is("off")) {  // before everything else: nothing that is wrong with it may keep the output closed
        open();
        last_number_ = number;
        send_setting(number);
        return;
    }
    if (!whole || number == 0) {
        refuse(number, Why::malformed);
        return;
    }
    const std::uint32_t ahead = number - last_number_;
    if (ahead == 0 || ahead > newest_ahead) {
        refuse(number, Why::out_of_order);
        return;
    }
    last_number_ = number;
    obey(number);
}

void Board::obey(std::uint32_t number) {
    if (record_.is("cc")) {
        return drive(number, Setting::current);
    }
    if (record_.is("cv")) {
        return drive(number, Setting::voltage);
    }
    if (record_.is("lim")) {
        return write_limits(number);
    }
    const bool beat = record_.is("hb");
    const bool known =
        beat || record_.is("get") || record_.is("id") || record_.is("rlim") || record_.is("rset") || record_.is("clr");
    if (!known || record_.count != 1) {
        return refuse(number, known ? Why::malformed : Why::unknown_word);
    }
    if (beat) {
        beaten_ = true;
        since_beat_ = 0;
    }
    if (beat || record_.is("get")) {
        return send_state(number);
    }
    if (record_.is("id")) {
        return send_identity(number);
    }
    if (record_.is("rset")) {
        return send_setting(number);
    }
    if (record_.is("clr")) {
        return clear(number);
    }
    if (!limits_written_) {
        return refuse(number, Why::no_limits);
    }
    limits_read_ = true;
    send_limits(number);
}

// --- Settings

bool Board::has_exactly(const char* const* keys, std::size_t count) const {
    if (record_.count != count + 1) {  // and the number
        return false;
    }
    for (std::size_t at = 0; at < count; ++at) {
        const Field* const field = record_.find(keys[at]);
        if (field == nullptr || field->failed) {
            return false;
        }
    }
    return true;
}

std::int64_t Board::value(const char* key) const {
    const Field* const field = record_.find(key);
    return field == nullptr ? 0 : field->value;
}

void Board::drive(std::uint32_t number, Setting setting) {
    constexpr const char* current_keys[] = {"i", "ceil", "flr"};
    constexpr const char* voltage_keys[] = {"v", "src", "snk"};
    const char* const* const keys = setting == Setting::current ? current_keys : voltage_keys;
    static_assert(length(current_keys) == length(voltage_keys));
    if (!has_exactly(keys, length(current_keys))) {
        return refuse(number, Why::malformed);
    }
    const std::int64_t target = value(keys[0]);
    const std::int64_t upper = value(keys[1]);
    const std::int64_t lower = value(keys[2]);
    if (refused_to_close(number)) {
        return;
    }
    if (!within_fitted(setting, target, upper, lower)) {
        return refuse(number, Why::outside_fitted);
    }
    if (!within_limits(setting, target, upper, lower)) {
        return refuse(number, Why::outside_limits);
    }
    const bool taken = setting == Setting::current ? hardware_.drive_current(hardware_.self, target, upper, lower)
                                                   : hardware_.hold_voltage(hardware_.self, target, upper, lower);
    if (!taken) {
        latch(stage_failed);
        return refuse(number, Why::stage_failed);
    }
    setting_ = setting;
    target_ = target;
    upper_ = upper;
    lower_ = lower;
    send_setting(number);
}

bool Board::refused_to_close(std::uint32_t number) {
    if (causes_ != 0) {
        refuse(number, Why::latched);
    } else if (!limits_written_) {
        refuse(number, Why::no_limits);
    } else if (!limits_read_) {
        refuse(number, Why::limits_not_read);
    } else if (!heart_beats()) {
        refuse(number, Why::no_heartbeat);
    } else if (!closed() && causes_now() != 0) {
        refuse(number, Why::cause_lasts);
    } else {
        return false;
    }
    return true;
}

bool Board::within_fitted(Setting setting, std::int64_t target, std::int64_t upper, std::int64_t lower) const {
    if (setting == Setting::current) {
        return target <= fitted_.source_most && -target <= fitted_.sink_most && upper <= fitted_.voltage_most &&
               lower >= fitted_.voltage_least && lower < upper;
    }
    return target <= fitted_.voltage_most && target >= fitted_.voltage_least && upper >= 0 && lower >= 0 &&
           upper <= fitted_.source_most && lower <= fitted_.sink_most;
}

bool Board::within_limits(Setting setting, std::int64_t target, std::int64_t upper, std::int64_t lower) const {
    if (setting == Setting::current) {
        return magnitude(target) <= limits_.current_most && upper <= limits_.voltage_most &&
               lower >= limits_.voltage_least;
    }
    return target <= limits_.voltage_most && target >= limits_.voltage_least && upper <= limits_.current_most &&
           lower <= limits_.current_most;
}

void Board::write_limits(std::uint32_t number) {
    constexpr const char* keys[] = {"vmax", "vmin", "imax", "tmax", "wd"};
    if (!has_exactly(keys, length(keys))) {
        return refuse(number, Why::malformed);
    }
    if (closed()) {
        return refuse(number, Why::output_closed);
    }
    const Limits wanted{value("vmax"), value("vmin"), value("imax"), value("tmax"), value("wd")};
    const bool warm = fitted_.thermometer ? wanted.temperature_most > 0 && wanted.temperature_most <= temperature_most
                                          : wanted.temperature_most == 0;
    const bool driven = wanted.current_most > 0 &&
                        (wanted.current_most <= fitted_.source_most || wanted.current_most <= fitted_.sink_most);
    if (!warm || !driven || wanted.voltage_most > fitted_.voltage_most || wanted.voltage_least >= wanted.voltage_most ||
        wanted.watchdog < watchdog_least || wanted.watchdog > watchdog_most) {
        return refuse(number, Why::outside_fitted);
    }
    limits_ = wanted;
    limits_written_ = true;
    limits_read_ = false;
    send_limits(number);
}

void Board::clear(std::uint32_t number) {
    if (closed()) {
        return refuse(number, Why::output_closed);
    }
    const bool still_silent = (causes_ & no_heartbeat) != 0 && !heart_beats();
    measure();
    if (still_silent || causes_now() != 0) {
        return refuse(number, Why::cause_lasts);
    }
    causes_ = 0;
    send_state(number);
}

// --- Time

void Board::tick(std::uint32_t now_ms) {
    const std::uint32_t passed = ticked_ ? now_ms - now_ : 0U;
    ticked_ = true;
    now_ = now_ms;
    uptime_ += passed;
    since_beat_ = passed > 0xFFFF'FFFFU - since_beat_ ? 0xFFFF'FFFFU : since_beat_ + passed;
    measure();
    const Measure& current = measured_.current;
    if (current.good && passed <= longest_counted && magnitude(current.value) <= current_most) {
        const std::int64_t more = current.value * static_cast<std::int64_t>(passed);
        if (std::int64_t sum = 0; !__builtin_add_overflow(charge_, more, &sum)) {
            charge_ = sum;
        }
    }
    if (closed()) {
        judge();
    }
    if (!closed()) {
        hardware_.open(hardware_.self);
    }
}

bool Board::heart_beats() const {
    return beaten_ && limits_written_ && static_cast<std::int64_t>(since_beat_) <= limits_.watchdog;
}

void Board::measure() {
    measured_ = Measured{};
    hardware_.measure(hardware_.self, measured_);
}

// What a latch's bits would be if these readings were the third in a row.
std::uint32_t Board::causes_now() const {
    const Measured& m = measured_;
    std::uint32_t causes = 0;
    if (!m.voltage.good || !m.current.good || (fitted_.thermometer && !m.temperature.good)) {
        causes |= sensor_failed;
    }
    if (m.stage_failed) {
        causes |= stage_failed;
    }
    if (!limits_written_) {
        return causes;
    }
    if (m.voltage.good && m.voltage.value > limits_.voltage_most) {
        causes |= over_voltage;
    }
    if (m.voltage.good && m.voltage.value < limits_.voltage_least) {
        causes |= under_voltage;
    }
    if (m.current.good && (m.current.value > limits_.current_most || m.current.value < -limits_.current_most)) {
        causes |= over_current;
    }
    if (fitted_.thermometer && m.temperature.good && m.temperature.value > limits_.temperature_most) {
        causes |= over_temperature;
    }
    return causes;
}

void Board::judge() {
    const std::uint32_t now = causes_now();
    std::uint32_t fired = now & stage_failed;
    if (!heart_beats()) {
        fired |= no_heartbeat;
    }
    std::uint32_t cause = over_voltage;
    for (int& in_a_row : in_a_row_) {
        if ((now & cause) != 0) {
            if (++in_a_row >= readings_to_trip) {
                fired |= cause;
            }
        } else if ((now & sensor_failed) == 0) {  // a failed reading between two that are outside breaks no row
            in_a_row = 0;
        }
        cause <<= 1U;
    }
    if (fired != 0) {
        latch(fired);
    }
}

void Board::latch(std::uint32_t cause) {
    causes_ |= cause;
    open();
}

void Board::open() {
    hardware_.open(hardware_.self);
    setting_ = Setting::off;
    for (int& in_a_row : in_a_row_) {
        in_a_row = 0;
    }
}

// --- What goes

LineWriter Board::reply(const char* word, std::uint32_t number) const {
    LineWriter line{from_board, word};
    line.add("n", number).add("boot", boot_);
    return line;
}

void Board::send(LineWriter line) {
    if (const std::size_t size = line.finish(); size > 0) {
        hardware_.send(hardware_.self, line.bytes(), size);
    }
}

void Board::refuse(std::uint32_t number, Why why) {
    send(reply("no", number).add("why", static_cast<std::int64_t>(why)));
}

void Board::send_identity(std::uint32_t number) {
    const std::int64_t fit = (fitted_.terminals ? 1 : 0) + (fitted_.thermometer ? 2 : 0) + (fitted_.ambient ? 4 : 0) +
                             (fitted_.contactor ? 8 : 0);
    send(reply("id", number)
             .add("link", link_version)
             .add("kind", fitted_.kind)
             .add("ser", fitted_.serial)
             .add("fw", fitted_.firmware)
             .add("vmin", fitted_.voltage_least)
             .add("vmax", fitted_.voltage_most)
             .add("src", fitted_.source_most)
             .add("snk", fitted_.sink_most)
             .add("fit", fit));
}

void Board::send_limits(std::uint32_t number) {
    send(reply("lim", number)
             .add("vmax", limits_.voltage_most)
             .add("vmin", limits_.voltage_least)
             .add("imax", limits_.current_most)
             .add("tmax", limits_.temperature_most)
             .add("wd", limits_.watchdog));
}

void Board::send_setting(std::uint32_t number) {
    switch (setting_) {
        case Setting::off: return send(reply("off", number));
        case Setting::current:
            return send(reply("cc", number).add("i", target_).add("ceil", upper_).add("flr", lower_));
        case Setting::voltage: return send(reply("cv", number).add("v", target_).add("src", upper_).add("snk", lower_));
    }
}

void Board::send_state(std::uint32_t number) {
    measure();  // after the question, so that the host may date the reading with it
    LineWriter line = reply("st", number);
    const auto add = [&line](const char* key, const Measure& measure) {
        if (measure.good) {
            line.add(key, measure.value);
        } else {
            line.add_failed(key);
        }
    };
    add("v", measured_.voltage);
    if (fitted_.terminals) {
        add("u", measured_.terminals);
    }
    add("i", measured_.current);
    if (fitted_.thermometer) {
        add("T", measured_.temperature);
    }
    if (fitted_.ambient) {
        add("a", measured_.ambient);
    }
    line.add("m", static_cast<std::int64_t>(measured_.mode))
        .add("k", static_cast<std::int64_t>(measured_.contactor))
        .add("q", charge_ / 1'000)
        .add("f", flags())
        .add("t", uptime_)
        .add("e", refused_);
    send(line);
}

}  // namespace slowfilm::wire::board
