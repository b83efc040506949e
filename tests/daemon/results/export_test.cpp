#include "daemon/results/export.hpp"

#include "daemon/ledger/writer.hpp"
#include "runs.hpp"
#include "tests/property.hpp"

#include <filesystem>
#include <optional>

#include <gtest/gtest.h>
#include <rapidcheck.h>
#include <unistd.h>

namespace slowfilm::results {
namespace {

using testing::RunBuilder;

TEST(CsvField, quotes_what_would_break_a_line) {
    EXPECT_EQ(csv_field("6.2"), "6.2");
    EXPECT_EQ(csv_field(""), "");
    EXPECT_EQ(csv_field("a,b"), "\"a,b\"");
    EXPECT_EQ(csv_field("a \"b\""), "\"a \"\"b\"\"\"");
    EXPECT_EQ(csv_field("two\r\nlines"), "\"two\r\nlines\"");
}

TEST(CsvField, neutralises_what_a_spreadsheet_would_run) {
    EXPECT_EQ(csv_field("=1+2"), "'=1+2");
    EXPECT_EQ(csv_field("+1"), "'+1");
    EXPECT_EQ(csv_field("-1"), "'-1");
    EXPECT_EQ(csv_field("@cmd"), "'@cmd");
    EXPECT_EQ(csv_field("\t=1"), "'\t=1");
}

// Read as RFC 4180 says, the field gives the text back (an apostrophe before a formula aside).
TEST(CsvField, reads_back_as_written) {
    test::holds([](const std::vector<std::uint8_t>& bytes) {
        std::string text;
        for (const std::uint8_t byte : bytes) {
            text += static_cast<char>(byte % 128);
        }
        const std::string field = csv_field(text);
        std::string read;
        if (!field.empty() && field.front() == '"') {
            RC_ASSERT(field.size() >= 2 && field.back() == '"');
            for (std::size_t i = 1; i + 1 < field.size(); ++i) {
                read += field[i];
                if (field[i] == '"') {
                    ++i;
                    RC_ASSERT(i + 1 < field.size() && field[i] == '"');
                }
            }
        } else {
            RC_ASSERT(field.find_first_of(",\"\r\n") == std::string::npos);
            read = field;
        }
        RC_ASSERT(read == text || read == "'" + text);
        const bool runs = !read.empty() && std::string_view{"=+-@\t\r"}.find(read.front()) != std::string_view::npos;
        RC_ASSERT(!runs);
    });
}

// A ledger with one run of samples written by hand.
class HandLedger {
  public:
    HandLedger() : folder_{std::filesystem::temp_directory_path() / ("slowfilm-export-" + std::to_string(::getpid()))} {
        std::filesystem::create_directories(folder_);
        auto opened = ledger::Writer::open({.path = path()});
        EXPECT_TRUE(opened) << opened.error().message;
        writer_ = std::move(*opened);
        run_ = RunBuilder{}.visit("charge", 1.0, 0).take();
        run_.header.run = run_.status.run = writer_->next_run();
        put(run_.header);
        put(run_.status);
    }
    ~HandLedger() {
        writer_.reset();
        std::filesystem::remove_all(folder_);
    }
    HandLedger(const HandLedger&) = delete;
    HandLedger& operator=(const HandLedger&) = delete;

    void sample(std::int64_t microseconds, const Sample& sample, std::optional<Duration> step_time = {}) {
        ledger::SampleRecord record;
        record.run = run_.header.run;
        record.sequence = ++sequence_;
        record.path = "1";
        record.time = Time{microseconds};
        record.step_time = step_time.value_or(Duration{microseconds});
        record.utc = 1'772'000'000'000'000 + microseconds;
        record.sample = sample;
        record.charge_in_ah = 0.000'000'1;
        put(record);
    }

    [[nodiscard]] std::string csv() {
        EXPECT_TRUE(writer_->flush());
        auto reader = ledger::Reader::open(path());
        EXPECT_TRUE(reader) << reader.error().message;
        std::string text;
        const Result<void> exported = export_csv(**reader, run_.header.run, [&](std::string_view piece) {
            text += piece;
            return true;
        });
        EXPECT_TRUE(exported) << exported.error().message;
        return text;
    }

  private:
    [[nodiscard]] std::string path() const { return (folder_ / "bench.ledger").string(); }
    void put(ledger::Record record) { EXPECT_TRUE(writer_->put(std::move(record))); }

    std::filesystem::path folder_;
    std::unique_ptr<ledger::Writer> writer_;
    ledger::RunData run_;
    std::uint64_t sequence_{0};
};

std::string last_line(const std::string& csv) {
    const std::size_t end = csv.rfind("\r\n");
    const std::size_t begin = csv.rfind("\r\n", end - 1) + 2;
    return csv.substr(begin, end - begin);
}

Sample sample_at(std::int64_t microseconds, std::int64_t nanovolts, std::int64_t nanoamperes,
                 std::int64_t millikelvin) {
    const Time time{microseconds};
    Sample sample;
    sample.voltage = {time, Voltage{nanovolts}, Quality::good};
    sample.current = {time, Current{nanoamperes}, Quality::good};
    sample.temperature = {time, Temperature{millikelvin}, Quality::good};
    return sample;
}

TEST(Export, writes_exact_numbers_with_a_point_and_no_needless_zeros) {
    HandLedger ledger;
    ledger.sample(1'500'000, sample_at(1'500'000, 3'700'000'001, -250'000'000, 298'150));
    EXPECT_EQ(last_line(ledger.csv()),
              "1.5,3.700000001,-0.25,1772000001.5,1,0,,1,charge,1.5,25,0.0000001,0,0.0000001,0,0");
}

TEST(Export, leaves_a_reading_that_is_bad_or_absent_empty) {
    HandLedger ledger;
    Sample sample = sample_at(0, 0, 0, 0);
    sample.voltage = {Time{}, Voltage{}, Quality::bad};
    sample.current.quality = Quality::absent;
    sample.temperature = {Time{}, Temperature{253'150}, Quality::good};
    ledger.sample(0, sample);
    EXPECT_EQ(last_line(ledger.csv()), "0,,,1772000000,1,0,,1,charge,0,-20,0.0000001,0,0.0000001,0,0");
}

TEST(Export, a_sample_before_the_first_step_has_no_step_time_older_than_the_run) {
    HandLedger ledger;
    // Reckoned from no step's beginning: the bench had been up for 9000 s.
    ledger.sample(500'000, sample_at(500'000, 3'700'000'000, 0, 298'150), Duration{9'000'000'000});
    EXPECT_EQ(last_line(ledger.csv()), "0.5,3.7,0,1772000000.5,1,0,,1,charge,0.5,25,0.0000001,0,0.0000001,0,0");
}

TEST(Export, of_a_run_without_samples_is_the_header_alone) {
    HandLedger ledger;
    const std::string csv = ledger.csv();
    EXPECT_TRUE(csv.starts_with("Test Time / s,Voltage / V,Current / A,Unix Time / s,"));
    EXPECT_EQ(csv.find("\r\n"), csv.size() - 2);
}

}  // namespace
}  // namespace slowfilm::results
