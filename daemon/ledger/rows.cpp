#include "daemon/ledger/rows.hpp"

#include "daemon/ledger/names.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

namespace slowfilm::ledger {
namespace {

constexpr double per_volt = 1e9;    // nV
constexpr double per_ampere = 1e9;  // nA
constexpr double per_kelvin = 1e3;  // mK
constexpr std::int64_t ice_point_mk = 273'150;

tl::unexpected<Error> impossible(const std::string& row, std::string_view column, const std::string& value) {
    return fail(Failure::bad_data, "the ledger's " + row + " has the " + std::string(column) + " \"" + value +
                                       "\", which slowfilm never writes; take the ledger from a good copy");
}

template <class E>
Result<void> take(Statement& from, E& value, const std::string& row, std::string_view column) {
    const std::string word = from.text();
    const std::optional<E> found = from_word<E>(word);
    if (!found)
        return impossible(row, column, word);
    value = *found;
    return {};
}

// Numbers of a width that the column need not keep to.
template <class N>
N narrow(std::int64_t value) {
    constexpr auto most = static_cast<std::int64_t>(std::numeric_limits<N>::max());
    return static_cast<N>(std::clamp<std::int64_t>(value, 0, most));
}

// Wraps: a damaged row may hold any two numbers.
constexpr std::int64_t minus(std::int64_t a, std::int64_t b) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) - static_cast<std::uint64_t>(b));
}

// Division, not multiplication by a reciprocal: 4.2 V then prints as 4.2, and rounding gives back the same count.
template <class Q>
void bind_reading(Statement& to, const Reading<Q>& reading, Time now, double per_unit, std::int64_t zero) {
    if (reading.good()) {
        to.bind(static_cast<double>(reading.value.count - zero) / per_unit);
    } else {
        to.bind_null();
    }
    to.bind(static_cast<std::int64_t>(reading.quality));
    if (reading.quality == Quality::absent && reading.time.count == 0)
        return to.bind_null();
    to.bind(minus(now.count, reading.time.count));
}

// False where the row holds what no reading can be.
template <class Q>
[[nodiscard]] bool read_reading(Statement& from, Reading<Q>& reading, Time now, double per_unit, std::int64_t zero) {
    const double value = from.real();
    const std::int64_t quality = from.integer();
    const std::optional<std::int64_t> age = from.integer_or_null();
    if (quality < 0 || quality > static_cast<std::int64_t>(Quality::good))
        return false;
    reading = {};
    reading.quality = static_cast<Quality>(quality);
    if (age)
        reading.time.count = minus(now.count, *age);
    if (!reading.good())
        return true;
    const double count = value * per_unit;
    if (!(std::abs(count) < 9e15))
        return false;  // beyond it doubles no longer tell neighbours apart
    reading.value.count = std::llround(count) + zero;
    return true;
}

}  // namespace

std::string insert_into(std::string_view table, std::string_view columns) {
    std::string sql = "INSERT INTO " + std::string(table) + "(" + std::string(columns) + ") VALUES(?";
    for (auto left = std::count(columns.begin(), columns.end(), ','); left > 0; --left) sql += ", ?";
    return sql + ")";
}

HeaderTexts::HeaderTexts(const RunHeader& header)
    : traits(to_text(header.traits)), caps(to_text(header.caps)), history(to_text(header.history)) {}

void bind(Statement& to, const RunHeader& header, const HeaderTexts& texts) {
    to.bind(std::int64_t{header.run});
    to.bind(std::string_view(header.cell));
    to.bind(std::string_view(header.channel));
    to.bind(std::int64_t{header.tray});
    for (const std::string* text :
         {&header.tray_name, &header.protocol_title, &header.protocol_text, &header.protocol_sha256}) {
        to.bind(std::string_view(*text));
    }
    to.bind(header.capacity.count);
    for (const std::string* text :
         {&texts.traits, &texts.caps, &texts.history, &header.effective, &header.software, &header.boot_id}) {
        to.bind(std::string_view(*text));
    }
    to.bind(std::int64_t{header.rehearsal});
    to.bind(header.created.count);
    to.bind(header.created_utc);
}

Result<void> read(Statement& from, RunHeader& header) {
    header.run = narrow<RunNumber>(from.integer());
    header.cell = from.text();
    header.channel = from.text();
    header.tray = narrow<RunNumber>(from.integer());
    for (std::string* text :
         {&header.tray_name, &header.protocol_title, &header.protocol_text, &header.protocol_sha256}) {
        *text = from.text();
    }
    header.capacity.count = from.integer();
    const std::string row = "run " + std::to_string(header.run);
    const std::string traits = from.text();
    if (!from_text(traits, header.traits))
        return impossible(row, "traits", traits);
    const std::string caps = from.text();
    if (!from_text(caps, header.caps))
        return impossible(row, "caps", caps);
    const std::string history = from.text();
    if (!from_text(history, header.history))
        return impossible(row, "history", history);
    for (std::string* text : {&header.effective, &header.software, &header.boot_id}) *text = from.text();
    header.rehearsal = from.integer() != 0;
    header.created.count = from.integer();
    header.created_utc = from.integer();
    return {};
}

Result<void> read(Statement& from, RunStatus& status) {
    status.run = narrow<RunNumber>(from.integer());
    const std::string row = "run " + std::to_string(status.run);
    if (auto done = take(from, status.state, row, "state"); !done)
        return done;
    if (auto done = take(from, status.wait, row, "wait"); !done)
        return done;
    status.needs = from.text();
    status.started_utc = from.integer_or_null();
    status.ended_utc = from.integer_or_null();
    status.started.count = from.integer();
    status.ended.count = from.integer();
    return {};
}

void bind(Statement& to, const VisitRecord& visit) {
    to.bind(std::int64_t{visit.run});
    to.bind(std::int64_t{visit.visit});
    for (const std::string* text : {&visit.path, &visit.name, &visit.pass, &visit.kind})
        to.bind(std::string_view(*text));
    to.bind(std::int64_t{visit.cycle});
    to.bind(std::int64_t{visit.ends_cycle});
    to.bind(visit.started.count);
    to.bind(visit.ended.count);
    for (const double value :
         {visit.charge_in_ah, visit.charge_out_ah, visit.energy_in_wh, visit.energy_out_wh, visit.net_at_start_ah}) {
        to.bind(value);
    }
    for (const auto* value : {&visit.voltage_start, &visit.voltage_end, &visit.current_end, &visit.temperature_max}) {
        to.bind(*value);
    }
    to.bind(std::string_view(visit.ended_by));
    to.bind(visit.resistance);
    to.bind(std::string_view(visit.no_resistance));
}

Result<void> read(Statement& from, VisitRecord& visit) {
    visit.run = narrow<RunNumber>(from.integer());
    visit.visit = narrow<std::uint32_t>(from.integer());
    for (std::string* text : {&visit.path, &visit.name, &visit.pass, &visit.kind}) *text = from.text();
    visit.cycle = narrow<std::uint32_t>(from.integer());
    visit.ends_cycle = from.integer() != 0;
    visit.started.count = from.integer();
    visit.ended.count = from.integer();
    for (double* value : {&visit.charge_in_ah, &visit.charge_out_ah, &visit.energy_in_wh, &visit.energy_out_wh,
                          &visit.net_at_start_ah}) {
        *value = from.real();
    }
    for (auto* value : {&visit.voltage_start, &visit.voltage_end, &visit.current_end, &visit.temperature_max}) {
        *value = from.real_or_null();
    }
    visit.ended_by = from.text();
    visit.resistance = from.real_or_null();
    visit.no_resistance = from.text();
    return {};
}

void bind(Statement& to, const EventRecord& record) {
    const Event& event = record.event;
    to.bind(std::int64_t{record.run});
    to.bind(static_cast<std::int64_t>(record.sequence));
    to.bind(word_of(event.kind));
    to.bind(std::int64_t{event.code});
    to.bind(std::int64_t{event.step});
    to.bind(std::int64_t{event.visit});
    to.bind(event.time.count);
    to.bind(event.value);
    to.bind(event.limit);
    to.bind(std::string_view(record.kind));
    to.bind(std::string_view(record.text));
    to.bind(record.utc);
}

Result<void> read(Statement& from, EventRecord& record) {
    Event& event = record.event;
    record.run = narrow<RunNumber>(from.integer());
    record.sequence = static_cast<std::uint64_t>(from.integer());
    const std::string row = "event of run " + std::to_string(record.run);
    if (auto done = take(from, event.kind, row, "event"); !done)
        return done;
    event.code = narrow<std::uint8_t>(from.integer());
    event.step = narrow<std::uint16_t>(from.integer());
    event.visit = narrow<std::uint32_t>(from.integer());
    event.time.count = from.integer();
    event.value = from.integer();
    event.limit = from.integer();
    record.kind = from.text();
    record.text = from.text();
    record.utc = from.integer();
    return {};
}

void bind(Statement& to, const SampleRecord& record) {
    const Sample& sample = record.sample;
    to.bind(std::int64_t{record.run});
    to.bind(static_cast<std::int64_t>(record.sequence));
    to.bind(std::int64_t{record.visit});
    to.bind(std::int64_t{record.cycle});
    to.bind(std::string_view(record.path));
    to.bind(record.time.count);
    to.bind(record.utc);
    to.bind(record.step_time.count);
    bind_reading(to, sample.voltage, record.time, per_volt, 0);
    bind_reading(to, sample.terminals, record.time, per_volt, 0);
    bind_reading(to, sample.current, record.time, per_ampere, 0);
    bind_reading(to, sample.temperature, record.time, per_kelvin, ice_point_mk);
    bind_reading(to, sample.ambient, record.time, per_kelvin, ice_point_mk);
    to.bind(static_cast<std::int64_t>(sample.mode));
    to.bind(std::int64_t{sample.raw_hash});
    for (const double value : {record.charge_in_ah, record.charge_out_ah, record.energy_in_wh, record.energy_out_wh}) {
        to.bind(value);
    }
}

Result<void> read(Statement& from, SampleRecord& record) {
    record.run = narrow<RunNumber>(from.integer());
    record.sequence = static_cast<std::uint64_t>(from.integer());
    record.visit = narrow<std::uint32_t>(from.integer());
    record.cycle = narrow<std::uint32_t>(from.integer());
    record.path = from.text();
    record.time.count = from.integer();
    record.utc = from.integer();
    record.step_time.count = from.integer();
    Sample& sample = record.sample;
    bool good = read_reading(from, sample.voltage, record.time, per_volt, 0);
    good = read_reading(from, sample.terminals, record.time, per_volt, 0) && good;
    good = read_reading(from, sample.current, record.time, per_ampere, 0) && good;
    good = read_reading(from, sample.temperature, record.time, per_kelvin, ice_point_mk) && good;
    good = read_reading(from, sample.ambient, record.time, per_kelvin, ice_point_mk) && good;
    const std::string row = "sample " + std::to_string(record.sequence) + " of run " + std::to_string(record.run);
    if (!good)
        return impossible(row, "reading", "out of range");
    const std::int64_t mode = from.integer();
    if (mode < 0 || mode > static_cast<std::int64_t>(StageMode::constant_voltage)) {
        return impossible(row, "mode", std::to_string(mode));
    }
    sample.mode = static_cast<StageMode>(mode);
    sample.raw_hash = narrow<std::uint32_t>(from.integer());
    for (double* value : {&record.charge_in_ah, &record.charge_out_ah, &record.energy_in_wh, &record.energy_out_wh}) {
        *value = from.real();
    }
    return {};
}

void bind(Statement& to, const TapeChunk& chunk) {
    to.bind(std::int64_t{chunk.run});
    to.bind(static_cast<std::int64_t>(chunk.first_sequence));
    to.bind(static_cast<std::int64_t>(chunk.last_sequence));
    to.bind(chunk.utc);
    to.bind_blob(chunk.bytes);
}

Result<void> read(Statement& from, TapeChunk& chunk) {
    chunk.run = narrow<RunNumber>(from.integer());
    chunk.first_sequence = static_cast<std::uint64_t>(from.integer());
    chunk.last_sequence = static_cast<std::uint64_t>(from.integer());
    chunk.utc = from.integer();
    chunk.bytes = from.blob();
    return {};
}

void bind(Statement& to, const Checkpoint& checkpoint) {
    to.bind(std::int64_t{checkpoint.run});
    to.bind(static_cast<std::int64_t>(checkpoint.sequence));
    to.bind_blob(checkpoint.state);
}

Result<void> read(Statement& from, Checkpoint& checkpoint) {
    checkpoint.run = narrow<RunNumber>(from.integer());
    checkpoint.sequence = static_cast<std::uint64_t>(from.integer());
    checkpoint.state = from.blob();
    return {};
}

void bind(Statement& to, RunNumber run, std::size_t place, const GuardMargins::Row& row) {
    to.bind(std::int64_t{run});
    to.bind(static_cast<std::int64_t>(place));
    to.bind(std::string_view(row.name));
    to.bind(std::string_view(row.unit));
    for (const auto* value : {&row.trip, &row.closest, &row.closest_second}) to.bind(*value);
    to.bind(std::int64_t{row.written});
}

Result<void> read(Statement& from, GuardMargins::Row& row) {
    row.name = from.text();
    row.unit = from.text();
    for (auto* value : {&row.trip, &row.closest, &row.closest_second}) *value = from.real_or_null();
    row.written = from.integer() != 0;
    return {};
}

void bind(Statement& to, const OperatorAction& action) {
    to.bind(action.utc);
    if (action.run) {
        to.bind(std::int64_t{*action.run});
    } else {
        to.bind_null();
    }
    for (const std::string* text : {&action.channel, &action.verb, &action.detail, &action.who}) {
        to.bind(std::string_view(*text));
    }
}

Result<void> read(Statement& from, OperatorAction& action) {
    action.utc = from.integer();
    const auto run = from.integer_or_null();
    action.run = run ? std::optional<RunNumber>(narrow<RunNumber>(*run)) : std::nullopt;
    for (std::string* text : {&action.channel, &action.verb, &action.detail, &action.who}) *text = from.text();
    return {};
}

void bind(Statement& to, const CellRecord& cell) {
    const CellHistory& history = cell.history;
    to.bind(std::string_view(cell.id));
    to.bind(word_of(history.furthest));
    for (const bool flag : {history.known, history.armed, history.quarantined, history.first_leg_over}) {
        to.bind(std::int64_t{flag});
    }
    for (const std::int64_t count :
         {history.leg.count, history.leg_unseen.count, history.net.count, history.net_unseen.count,
          history.highest.count, history.measured.count, history.low_since.count}) {
        to.bind(count);
    }
    to.bind(std::string_view(cell.quarantine));
    to.bind(cell.updated_utc);
}

Result<void> read(Statement& from, CellRecord& cell) {
    CellHistory& history = cell.history;
    cell.id = from.text();
    if (auto done = take(from, history.furthest, "cell " + cell.id, "furthest"); !done)
        return done;
    for (bool* flag : {&history.known, &history.armed, &history.quarantined, &history.first_leg_over}) {
        *flag = from.integer() != 0;
    }
    for (std::int64_t* count :
         {&history.leg.count, &history.leg_unseen.count, &history.net.count, &history.net_unseen.count,
          &history.highest.count, &history.measured.count, &history.low_since.count}) {
        *count = from.integer();
    }
    cell.quarantine = from.text();
    cell.updated_utc = from.integer();
    return {};
}

void bind(Statement& to, const MarkRecord& mark) {
    to.bind(std::int64_t{mark.run});
    to.bind(std::int64_t{mark.visit});
    to.bind(std::int64_t{mark.of_run});
    to.bind(mark.at.count);
    to.bind(std::string_view(mark.path));
    to.bind(mark.time.count);
    to.bind(mark.mean);
    to.bind(mark.deviation);
    to.bind(mark.temperature);
    to.bind(std::int64_t{mark.readings});
}

Result<void> read(Statement& from, MarkRecord& mark) {
    mark.run = narrow<RunNumber>(from.integer());
    mark.visit = narrow<std::uint32_t>(from.integer());
    mark.of_run = from.integer() != 0;
    mark.at.count = from.integer();
    mark.path = from.text();
    mark.time.count = from.integer();
    mark.mean = from.real();
    mark.deviation = from.real();
    mark.temperature = from.real_or_null();
    mark.readings = narrow<std::uint32_t>(from.integer());
    return {};
}

MoveTexts::MoveTexts(const MoveRecord& move) : traits(to_text(move.traits)), caps(to_text(move.caps)) {}

void bind(Statement& to, const MoveRecord& move, const MoveTexts& texts) {
    to.bind(std::int64_t{move.run});
    to.bind(static_cast<std::int64_t>(move.after));
    for (const std::string* text : {&move.from, &move.to, &texts.traits, &texts.caps}) to.bind(std::string_view(*text));
    to.bind(move.utc);
}

Result<void> read(Statement& from, MoveRecord& move) {
    move.run = narrow<RunNumber>(from.integer());
    move.after = static_cast<std::uint64_t>(from.integer());
    move.from = from.text();
    move.to = from.text();
    const std::string row = "move of run " + std::to_string(move.run);
    const std::string traits = from.text();
    if (!from_text(traits, move.traits))
        return impossible(row, "traits", traits);
    const std::string caps = from.text();
    if (!from_text(caps, move.caps))
        return impossible(row, "caps", caps);
    move.utc = from.integer();
    return {};
}

void bind(Statement& to, const HandReading& reading) {
    to.bind(std::string_view(reading.cell));
    to.bind(std::string_view(reading.name));
    to.bind(reading.value);
    to.bind(std::string_view(reading.unit));
    to.bind(std::string_view(reading.text));
    if (reading.run) {
        to.bind(std::int64_t{*reading.run});
    } else {
        to.bind_null();
    }
    to.bind(std::string_view(reading.path));
    to.bind(reading.utc);
    to.bind(std::string_view(reading.who));
}

Result<void> read(Statement& from, HandReading& reading) {
    reading.cell = from.text();
    reading.name = from.text();
    reading.value = from.real_or_null();
    reading.unit = from.text();
    reading.text = from.text();
    const auto run = from.integer_or_null();
    reading.run = run ? std::optional<RunNumber>(narrow<RunNumber>(*run)) : std::nullopt;
    reading.path = from.text();
    reading.utc = from.integer();
    reading.who = from.text();
    return {};
}

void bind(Statement& to, const QuarantineLifted& lifted) {
    for (const std::string* text : {&lifted.cell, &lifted.quarantine, &lifted.reason}) to.bind(std::string_view(*text));
    to.bind(lifted.utc);
    to.bind(std::string_view(lifted.who));
}

Result<void> read(Statement& from, QuarantineLifted& lifted) {
    for (std::string* text : {&lifted.cell, &lifted.quarantine, &lifted.reason}) *text = from.text();
    lifted.utc = from.integer();
    lifted.who = from.text();
    return {};
}

void bind(Statement& to, const ChannelLatch& latch) {
    to.bind(std::string_view(latch.channel));
    to.bind(std::string_view(latch.text));
    to.bind(latch.utc);
}

Result<void> read(Statement& from, ChannelLatch& latch) {
    latch.channel = from.text();
    latch.text = from.text();
    latch.utc = from.integer();
    return {};
}

CellRecord merged(const CellRecord& older, CellRecord newer) {
    const CellHistory& before = older.history;
    CellHistory& history = newer.history;
    if (before.known) {  // otherwise what stands there is the claim of a protocol whose run never had current
        history.known = true;
        history.furthest = std::max(history.furthest, before.furthest);
        history.armed = history.armed || before.armed;
        history.first_leg_over = history.first_leg_over || before.first_leg_over;
    }
    history.quarantined = history.quarantined || before.quarantined;
    history.highest = std::max(history.highest, before.highest);
    if (history.measured.count == 0)
        history.measured = before.measured;
    if (!older.quarantine.empty())
        newer.quarantine = older.quarantine;
    newer.updated_utc = std::max(newer.updated_utc, older.updated_utc);
    return newer;
}

}  // namespace slowfilm::ledger
