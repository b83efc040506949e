// Samples committed per second: the ledger's writer (queue, thread, callback) against a bare loop of one prepared
// INSERT into the same table, with the same batch and the same durability, turn about in the same run. A batch is what
// a bench keeps in one second: 64 is 64 channels once a second, 640 the same at 10 Hz.
#include "daemon/ledger/reader.hpp"
#include "daemon/ledger/writer.hpp"

#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <stdexcept>
#include <string>
#include <vector>

#include <benchmark/benchmark.h>
#include <sqlite3.h>

namespace slowfilm::ledger {
namespace {

void must(bool good, const char* what) {
    if (!good) {
        throw std::runtime_error(what);
    }
}

class Directory {
  public:
    Directory() : path_((std::filesystem::temp_directory_path() / "slowfilm-speed-XXXXXX").string()) {
        must(mkdtemp(path_.data()) != nullptr, "no temporary directory");
    }
    ~Directory() { std::filesystem::remove_all(path_); }
    Directory(const Directory&) = delete;
    Directory& operator=(const Directory&) = delete;
    [[nodiscard]] std::string file(const char* name) const { return path_ + "/" + name; }

  private:
    std::string path_;
};

std::unique_ptr<Writer> open_with_a_run(const std::string& path) {
    auto writer = Writer::open({.path = path, .interval = {3'600'000'000}});
    must(writer.has_value(), "no writer");
    RunHeader header;
    header.run = 1;
    must((*writer)->put(header) && (*writer)->flush().has_value(), "no run");
    return std::move(*writer);
}

SampleRecord sample_of(std::uint64_t sequence) {
    SampleRecord r;
    r.run = 1;
    r.sequence = sequence;
    r.path = "2.1";
    r.time = {static_cast<std::int64_t>(sequence) * 100'000};
    r.utc = 1'772'000'000'000'000 + r.time.count;
    r.step_time = {r.time.count};
    const auto step = static_cast<std::int64_t>(sequence % 1000);
    r.sample.voltage = {r.time, {3'700'000'000 + step * 100'000}, Quality::good};
    r.sample.current = {r.time, {250'000'000 + step * 1'000}, Quality::good};
    r.sample.temperature = {r.time, {298'150 + step}, Quality::good};
    r.sample.mode = StageMode::constant_current;
    r.charge_in_ah = 1e-6 * static_cast<double>(sequence);
    r.energy_in_wh = 3.7e-6 * static_cast<double>(sequence);
    return r;
}

// The reference: nothing but SQLite's own interface.
class Bare {
  public:
    explicit Bare(const std::string& path) {
        open_with_a_run(path);
        must(sqlite3_open_v2(path.c_str(), &handle_, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, nullptr) == SQLITE_OK,
             "open");
        run("PRAGMA journal_mode = WAL");
        run("PRAGMA synchronous = FULL");
        run("PRAGMA foreign_keys = ON");
        const char* insert = "INSERT INTO sample VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)";
        must(sqlite3_prepare_v2(handle_, insert, -1, &insert_, nullptr) == SQLITE_OK, "prepare");
    }
    ~Bare() {
        sqlite3_finalize(insert_);
        sqlite3_close(handle_);
    }
    Bare(const Bare&) = delete;
    Bare& operator=(const Bare&) = delete;

    void write(const std::vector<SampleRecord>& samples) {
        run("BEGIN IMMEDIATE");
        for (const SampleRecord& sample : samples) {
            insert(sample);
        }
        run("COMMIT");
    }

  private:
    void run(const char* sql) { must(sqlite3_exec(handle_, sql, nullptr, nullptr, nullptr) == SQLITE_OK, sql); }
    template <class Q>
    void reading(int& place, const Reading<Q>& reading, Time now, double unit, std::int64_t zero) {
        if (reading.good()) {
            sqlite3_bind_double(insert_, ++place, static_cast<double>(reading.value.count - zero) / unit);
        } else {
            sqlite3_bind_null(insert_, ++place);
        }
        sqlite3_bind_int64(insert_, ++place, static_cast<std::int64_t>(reading.quality));
        if (reading.quality == Quality::absent) {
            sqlite3_bind_null(insert_, ++place);
        } else {
            sqlite3_bind_int64(insert_, ++place, (now - reading.time).count);
        }
    }
    void insert(const SampleRecord& r) {
        int place = 0;
        sqlite3_bind_int64(insert_, ++place, r.run);
        sqlite3_bind_int64(insert_, ++place, static_cast<std::int64_t>(r.sequence));
        sqlite3_bind_int64(insert_, ++place, r.visit);
        sqlite3_bind_int64(insert_, ++place, r.cycle);
        sqlite3_bind_text(insert_, ++place, r.path.data(), static_cast<int>(r.path.size()), SQLITE_STATIC);
        sqlite3_bind_int64(insert_, ++place, r.time.count);
        sqlite3_bind_int64(insert_, ++place, r.utc);
        sqlite3_bind_int64(insert_, ++place, r.step_time.count);
        reading(place, r.sample.voltage, r.time, 1e9, 0);
        reading(place, r.sample.terminals, r.time, 1e9, 0);
        reading(place, r.sample.current, r.time, 1e9, 0);
        reading(place, r.sample.temperature, r.time, 1e3, 273'150);
        reading(place, r.sample.ambient, r.time, 1e3, 273'150);
        sqlite3_bind_int64(insert_, ++place, static_cast<std::int64_t>(r.sample.mode));
        sqlite3_bind_int64(insert_, ++place, r.sample.raw_hash);
        for (const double value : {r.charge_in_ah, r.charge_out_ah, r.energy_in_wh, r.energy_out_wh}) {
            sqlite3_bind_double(insert_, ++place, value);
        }
        must(sqlite3_step(insert_) == SQLITE_DONE, "insert");
        sqlite3_reset(insert_);
    }

    sqlite3* handle_{nullptr};
    sqlite3_stmt* insert_{nullptr};
};

// Seconds that `work` takes.
template <class Work>
double timed(Work work) {
    const auto start = std::chrono::steady_clock::now();
    work();
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
}

void ledger_against_bare_inserts(benchmark::State& state) {
    const Directory directory;
    Bare bare(directory.file("bare"));
    const auto writer = open_with_a_run(directory.file("ledger"));
    std::uint64_t sequence = 0;
    std::vector<SampleRecord> samples(static_cast<std::size_t>(state.range(0)));
    double bare_seconds = 0;
    double ledger_seconds = 0;
    bool bare_first = false;
    for ([[maybe_unused]] auto _ : state) {
        for (SampleRecord& sample : samples) {
            sample = sample_of(++sequence);
        }
        const auto by_ledger = [&] {
            for (const SampleRecord& sample : samples) {
                must(writer->put(sample), "put");
            }
            must(writer->flush().has_value(), "flush");
        };
        const auto by_bare = [&] { bare.write(samples); };
        bare_first = !bare_first;
        double spent = 0;
        if (bare_first) {
            bare_seconds += timed(by_bare);
            spent = timed(by_ledger);
        } else {
            spent = timed(by_ledger);
            bare_seconds += timed(by_bare);
        }
        ledger_seconds += spent;
        state.SetIterationTime(spent);
    }
    const auto all = static_cast<double>(sequence);
    state.counters["ledger_samples_per_second"] = all / ledger_seconds;
    state.counters["bare_samples_per_second"] = all / bare_seconds;
    state.counters["ratio"] = bare_seconds / ledger_seconds;
}

BENCHMARK(ledger_against_bare_inserts)
    ->Arg(64)
    ->Arg(640)
    ->Arg(6400)
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->MinTime(3);

}  // namespace
}  // namespace slowfilm::ledger
