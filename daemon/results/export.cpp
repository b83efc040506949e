#include "daemon/results/export.hpp"

#include "daemon/core/text.hpp"
#include "daemon/protocol/grammar.hpp"
#include "daemon/protocol/parse.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <limits>
#include <map>

namespace slowfilm::results {

namespace {

constexpr std::string_view header =
    "Test Time / s,Voltage / V,Current / A,Unix Time / s,Cycle Count / 1,Step Count / 1,Ambient Temperature / degC,"
    "Step ID,Step Type,Step Time / s,Surface Temperature / degC,Charging Capacity / Ah,Discharging Capacity / Ah,"
    "Net Capacity / Ah,Charging Energy / Wh,Discharging Energy / Wh\r\n";

constexpr std::size_t buffer_bytes = 1U << 16U;
constexpr std::size_t line_bytes_max = 1024;  // sixteen numbers of at most 40 characters, and two short texts

// Lines gathered into pieces that are worth a system call.
class Output {
  public:
    explicit Output(const Sink& sink) : sink_{sink} { text_.reserve(buffer_bytes + 2 * line_bytes_max); }

    void text(std::string_view piece) { text_.append(piece); }
    void comma() { text_.push_back(','); }

    void whole(std::int64_t value) {
        std::array<char, 24> digits{};
        const auto end = std::to_chars(digits.data(), digits.data() + digits.size(), value).ptr;
        text_.append(digits.data(), end);
    }

    // count x 10^-decimals, exactly, without trailing zeros.
    void scaled(std::int64_t count, std::size_t decimals) {
        std::array<char, 24> digits{};
        const std::uint64_t size =
            count < 0 ? 0 - static_cast<std::uint64_t>(count) : static_cast<std::uint64_t>(count);
        const char* const end = std::to_chars(digits.data(), digits.data() + digits.size(), size).ptr;
        const auto length = static_cast<std::size_t>(end - digits.data());
        if (count < 0) {
            text_.push_back('-');
        }
        const std::size_t before = length > decimals ? length - decimals : 0;
        before == 0 ? text_.push_back('0') : static_cast<void>(text_.append(digits.data(), before));
        std::size_t used = length;
        while (used > before && digits[used - 1] == '0') {
            --used;
        }
        if (used > before) {
            text_.push_back('.');
            text_.append(decimals > length ? decimals - length : 0, '0');
            text_.append(digits.data() + before, used - before);
        }
    }

    // To a whole 10^-12: below what the ledger's own integrals resolve.
    void real(double value) {
        constexpr double most = 9e6;
        if (std::isfinite(value) && std::fabs(value) < most) {
            scaled(std::llround(value * 1e12), 12);
        } else if (std::isfinite(value)) {
            std::array<char, 40> digits{};
            text_.append(digits.data(), std::to_chars(digits.data(), digits.data() + digits.size(), value).ptr);
        }
    }

    [[nodiscard]] bool end_line() {
        text_.append("\r\n");
        return text_.size() < buffer_bytes || flush();
    }

    [[nodiscard]] bool flush() {
        good_ = good_ && (text_.empty() || sink_(text_));
        text_.clear();
        return good_;
    }

  private:
    const Sink& sink_;
    std::string text_;
    bool good_{true};
};

// What a visit's lines have in common, made once for each visit.
struct StepFields {
    std::uint32_t visit{std::numeric_limits<std::uint32_t>::max()};
    std::string text;  // "6.2,charge"
};

void note_kinds(const std::vector<protocol::Step>& steps, std::map<std::string, std::string_view>& kinds) {
    for (const protocol::Step& step : steps) {
        if (step.kind == protocol::StepKind::repeat) {
            note_kinds(step.steps, kinds);
        } else {
            kinds[step.path] = protocol::step_word(step.kind);
        }
    }
}

class Exporter {
  public:
    Exporter(const ledger::RunData& run, const Sink& sink) : run_{run}, output_{sink}, latest_{run.status.started} {
        const protocol::Parsed parsed = protocol::parse_protocol("the recorded protocol", run.header.protocol_text);
        if (parsed.protocol) {
            note_kinds(parsed.protocol->steps, kinds_);
        }
        output_.text(header);
    }

    [[nodiscard]] bool line(const ledger::SampleRecord& record) {
        latest_ = std::max(latest_, record.time);
        const Sample& sample = record.sample;
        output_.scaled((latest_ - run_.status.started).count, 6);
        output_.comma();
        reading(sample.voltage, 9);
        reading(sample.current, 9);
        output_.scaled(record.utc, 6);
        output_.comma();
        output_.whole(record.cycle);
        output_.comma();
        output_.whole(record.visit);
        output_.comma();
        temperature(ambient_of(sample));
        output_.text(step_fields(record));
        output_.comma();
        // A sample of the checks before the first step belongs to no step yet, nor can a step be older than the run.
        output_.scaled(std::min(record.step_time, latest_ - run_.status.started).count, 6);
        output_.comma();
        temperature(surface_of(sample));
        output_.real(record.charge_in_ah);
        output_.comma();
        output_.real(record.charge_out_ah);
        output_.comma();
        output_.real(record.charge_in_ah - record.charge_out_ah);
        output_.comma();
        output_.real(record.energy_in_wh);
        output_.comma();
        output_.real(record.energy_out_wh);
        return output_.end_line();
    }

    [[nodiscard]] bool finish() { return output_.flush(); }

  private:
    template <class Q>
    void reading(const Reading<Q>& reading, std::size_t decimals) {
        if (reading.good()) {
            output_.scaled(reading.value.count, decimals);
        }
        output_.comma();
    }

    void temperature(const Reading<Temperature>& reading) {
        constexpr std::int64_t zero_celsius = 273'150;
        if (reading.good()) {
            output_.scaled(reading.value.count - zero_celsius, 3);
        }
        output_.comma();
    }

    // A thermometer of the shelf says nothing of a cell's surface.
    [[nodiscard]] bool of_the_shelf() const { return run_.header.traits.temperature_of == TemperatureOf::shelf; }
    [[nodiscard]] Reading<Temperature> surface_of(const Sample& sample) const {
        return of_the_shelf() ? Reading<Temperature>{} : sample.temperature;
    }
    [[nodiscard]] Reading<Temperature> ambient_of(const Sample& sample) const {
        return of_the_shelf() && !sample.ambient.good() ? sample.temperature : sample.ambient;
    }

    [[nodiscard]] const std::string& step_fields(const ledger::SampleRecord& record) {
        if (record.visit != fields_.visit || fields_.text.empty()) {
            const auto kind = kinds_.find(record.path);
            fields_.visit = record.visit;
            fields_.text = csv_field(record.path) + "," + (kind == kinds_.end() ? "" : csv_field(kind->second));
        }
        return fields_.text;
    }

    const ledger::RunData& run_;
    Output output_;
    Time latest_;
    StepFields fields_;
    std::map<std::string, std::string_view> kinds_;
};

}  // namespace

std::string csv_field(std::string_view text) {
    std::string field = valid_utf8(text);
    if (!field.empty() && std::string_view{"=+-@\t\r"}.find(field.front()) != std::string_view::npos) {
        field.insert(field.begin(), '\'');
    }
    if (field.find_first_of(",\"\r\n") == std::string::npos) {
        return field;
    }
    std::string quoted = "\"";
    for (const char c : field) {
        quoted += c;
        if (c == '"') {
            quoted += c;
        }
    }
    return quoted + '"';
}

Result<void> export_csv(ledger::Reader& reader, ledger::RunNumber number, const Sink& sink) {
    const Result<ledger::RunData> run = reader.run(number);
    if (!run) {
        return tl::unexpected<Error>{run.error()};
    }
    Exporter exporter{*run, sink};
    bool taken = true;
    const Result<void> read = reader.samples(number, [&](const ledger::SampleRecord& record) {
        taken = exporter.line(record);
        return taken;
    });
    if (!read) {
        return read;
    }
    if (!taken || !exporter.finish()) {
        return fail(Failure::cannot_write, "the export could not be written: its output takes no more");
    }
    return {};
}

}  // namespace slowfilm::results
