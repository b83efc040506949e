// Invented records, and a directory of its own for each test.
#pragma once

#include "daemon/core/text.hpp"
#include "daemon/ledger/reader.hpp"
#include "daemon/ledger/tape.hpp"
#include "daemon/ledger/writer.hpp"

#include <cstdlib>
#include <filesystem>
#include <memory>
#include <random>
#include <string>
#include <utility>

#include <gtest/gtest.h>

namespace slowfilm::ledger {

class Directory {
  public:
    Directory() {
        std::string name = (std::filesystem::temp_directory_path() / "slowfilm-ledger-XXXXXX").string();
        if (mkdtemp(name.data()) == nullptr)
            std::abort();
        path_ = name;
    }
    ~Directory() {
        std::error_code error;
        std::filesystem::permissions(path_, std::filesystem::perms::owner_all, error);
        std::filesystem::remove_all(path_, error);
    }
    Directory(const Directory&) = delete;
    Directory& operator=(const Directory&) = delete;
    [[nodiscard]] std::string file(const std::string& name = "bench.ledger") const { return (path_ / name).string(); }
    [[nodiscard]] const std::filesystem::path& path() const { return path_; }

  private:
    std::filesystem::path path_;
};

// Every field differs from its default.
inline RunHeader header_of(RunNumber run) {
    using namespace literals;
    RunHeader h;
    h.run = run;
    h.cell = "cell-" + std::to_string(run);
    h.channel = "A3";
    h.protocol_title = "three slow cycles";
    h.protocol_text = "title = \"three slow cycles\"\n# caf\xC3\xA9, 'quotes'; DROP TABLE run;\n";
    h.protocol_sha256 = sha256_hex(h.protocol_text);
    h.capacity = {9'007'199'254'740'993};  // 2^53 + 1: no double holds it
    h.traits = {.period = 100_ms,
                .settle = 500_ms,
                .voltage_min = -200_mV,
                .voltage_max = 5000_mV,
                .source_max = 2000_mA,
                .sink_max = 1000_mA,
                .voltage_accuracy = 1_mV,
                .voltage_resolution = 100_uV,
                .current_accuracy = 500_uA,
                .current_resolution = 10_uA,
                .reports_ceiling = true,
                .has_contactor = true,
                .off_state = OffState::high_impedance,
                .temperature_of = TemperatureOf::shelf,
                .has_ambient = true,
                .temperature_plausible_min = 5_degC,
                .temperature_plausible_max = 60_degC};
    h.caps = {.voltage_max = 4350_mV, .current_max = 1500_mA, .temperature_max = 55_degC};
    h.history = {.furthest = CellState::tapped,
                 .known = true,
                 .armed = true,
                 .quarantined = false,
                 .first_leg_over = true,
                 .leg = {-9'007'199'254'740'993},
                 .net = 30_mAh,
                 .highest = 3712_mV};
    h.effective = R"({"guards":[]})";
    h.software = "0.1.0";
    h.boot_id = "boot-1";
    h.rehearsal = true;
    h.created = {12'345'678'901};
    h.created_utc = 1'772'000'000'123'456;
    return h;
}

inline bool same(const RunHeader& a, const RunHeader& b) {
    return a.run == b.run && a.cell == b.cell && a.channel == b.channel && a.protocol_title == b.protocol_title &&
           a.protocol_text == b.protocol_text && a.protocol_sha256 == b.protocol_sha256 && a.capacity == b.capacity &&
           a.traits == b.traits && a.caps == b.caps && a.history == b.history && a.effective == b.effective &&
           a.software == b.software && a.boot_id == b.boot_id && a.rehearsal == b.rehearsal && a.created == b.created &&
           a.created_utc == b.created_utc;
}

// A first charge at constant current: the voltage climbs, readings carry an instrument's resolution and a little noise.
inline Input charging_sample(std::uint64_t sequence, Time time, std::mt19937_64& noise) {
    const auto wobble = [&noise](std::int64_t most) {
        return static_cast<std::int64_t>(noise() % (2 * most + 1)) - most;
    };
    Sample s;
    s.voltage = {time, {(31'000 + static_cast<std::int64_t>(sequence / 40) + wobble(2)) * 100'000}, Quality::good};
    s.current = {time, {(25'000 + wobble(3)) * 10'000}, Quality::good};
    s.temperature = {time, {298'150 + wobble(1) * 10}, Quality::good};
    s.mode = StageMode::constant_current;
    return {sequence, time, s};
}

inline SampleRecord kept(RunNumber run, const Input& input) {
    SampleRecord r;
    r.run = run;
    r.sequence = input.sequence;
    r.visit = 2;
    r.cycle = 3;
    r.path = "6.2";
    r.step_time = {static_cast<std::int64_t>(input.sequence) * 1'000'000};
    r.sample = std::get<Sample>(input.body);
    r.charge_in_ah = 0.125;
    r.charge_out_ah = 0.0625;
    r.energy_in_wh = 0.5;
    r.energy_out_wh = 0.25;
    r.time = input.time;
    r.utc = 1'772'000'000'000'000 + input.time.count;
    return r;
}

inline bool same(const SampleRecord& a, const SampleRecord& b) {
    return a.run == b.run && a.sequence == b.sequence && a.visit == b.visit && a.cycle == b.cycle && a.path == b.path &&
           a.step_time == b.step_time && a.sample == b.sample && a.charge_in_ah == b.charge_in_ah &&
           a.charge_out_ah == b.charge_out_ah && a.energy_in_wh == b.energy_in_wh &&
           a.energy_out_wh == b.energy_out_wh && a.time == b.time && a.utc == b.utc;
}

// One run's inputs as a bench puts them: samples kept, the same inputs on the tape.
class Feed {
  public:
    Feed(Writer& writer, RunNumber run) : writer_(writer), run_(run) {}
    // Puts `count` more samples and their chunk; whether all were taken.
    bool put(int count) {
        TapeEncoder encoder;
        bool taken = true;
        for (int i = 0; i < count; ++i) {
            ++sequence_;
            const Input input = charging_sample(sequence_, {static_cast<std::int64_t>(sequence_) * 1'000'000}, noise_);
            encoder.add(input);
            taken = writer_.put(kept(run_, input)) && taken;
        }
        TapeChunk chunk;
        chunk.run = run_;
        chunk.first_sequence = encoder.first_sequence();
        chunk.last_sequence = encoder.last_sequence();
        chunk.bytes = encoder.take();
        return writer_.put(std::move(chunk)) && taken;
    }
    [[nodiscard]] std::uint64_t sequence() const { return sequence_; }

  private:
    Writer& writer_;
    RunNumber run_;
    std::uint64_t sequence_{0};
    std::mt19937_64 noise_{20260301};
};

inline std::unique_ptr<Writer> open_writer(const std::string& path) {
    WriterOptions options;
    options.path = path;
    options.interval = {3'600'000'000};  // an hour: commits come only when they are asked for
    auto writer = Writer::open(options);
    if (!writer) {
        ADD_FAILURE() << writer.error().message;
        return nullptr;
    }
    return std::move(*writer);
}

inline std::unique_ptr<Reader> open_reader(const std::string& path) {
    auto reader = Reader::open(path);
    if (!reader) {
        ADD_FAILURE() << reader.error().message;
        return nullptr;
    }
    return std::move(*reader);
}

inline std::string findings(const Verification& verification) {
    std::string text;
    for (const std::string& finding : verification.findings) text += finding + "\n";
    return text;
}

}  // namespace slowfilm::ledger
