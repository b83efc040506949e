// Reads a ledger, also while it is being written: a bench's, a rehearsal's, a split-off run's. Short transactions only,
// so that no reader pins the log.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/ledger/records.hpp"

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::ledger {

struct RunLine {  // one line of `runs`
    RunNumber run{0};
    std::string cell, channel, title;
    RunState state{RunState::planned};
    WaitReason wait{WaitReason::none};  // what it waits for; of a stopped run, what stopped it
    std::optional<std::int64_t> started_utc, ended_utc;
    Duration length;
    bool rehearsal{false};
    std::string boot_id;
    Time last;  // of its last event, else of when it was made
    std::int64_t last_utc{0};
    std::string protocol_sha256;
};

struct Verification {
    bool good{false};
    std::vector<std::string> findings;  // a sentence each; empty when good
    std::uint64_t runs{0}, samples{0}, tape_inputs{0};
};

class Reader {
  public:
    // no_input: no such file. bad_data: not a ledger of ours, from the future, or damaged; the sentence says which.
    [[nodiscard]] static Result<std::unique_ptr<Reader>> open(const std::string& path);
    ~Reader();
    Reader(const Reader&) = delete;
    Reader& operator=(const Reader&) = delete;

    [[nodiscard]] Result<std::vector<RunLine>> runs();
    // no_input, naming the runs there are, when there is no such run.
    [[nodiscard]] Result<RunData> run(RunNumber number);
    // Kept samples in order; the visitor returns false to stop.
    [[nodiscard]] Result<void> samples(RunNumber number, const std::function<bool(const SampleRecord&)>& visit);
    // Every input in order, from `after` (exclusive) on.
    [[nodiscard]] Result<void> tape(RunNumber number, std::uint64_t after,
                                    const std::function<bool(const Input&)>& visit);
    [[nodiscard]] Result<std::optional<Checkpoint>> last_checkpoint(RunNumber number);
    [[nodiscard]] Result<std::vector<CellRecord>> cells();
    [[nodiscard]] Result<std::optional<CellRecord>> cell(std::string_view id);
    // Of the cell's latest run that is no rehearsal, its rated capacity.
    [[nodiscard]] Result<std::optional<Charge>> last_capacity(std::string_view cell);
    // What people entered, in order: of a cell, of all cells.
    [[nodiscard]] Result<std::vector<HandReading>> hand_readings(std::string_view cell);
    [[nodiscard]] Result<std::vector<HandReading>> hand_readings();
    [[nodiscard]] Result<std::vector<QuarantineLifted>> lifted(std::string_view cell);
    [[nodiscard]] Result<std::vector<ChannelLatch>> latches();
    // no_input, naming the runs there are.
    [[nodiscard]] Result<void> has_run(RunNumber number);
    // Structure, foreign keys, gapless tapes, decodable chunks, a missing -wal.
    [[nodiscard]] Result<Verification> verify();

    struct State;  // the connection; reader_state.hpp

  private:
    explicit Reader(std::unique_ptr<State> state);
    std::unique_ptr<State> state_;
};

}  // namespace slowfilm::ledger
