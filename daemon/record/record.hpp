// What the fold decided, as the ledger's records. The bench and a rehearsal both write through here, so that a
// rehearsed run and a real one leave the same record.
#pragma once

#include "daemon/engine/engine.hpp"
#include "daemon/engine/plan.hpp"
#include "daemon/engine/run.hpp"
#include "daemon/ledger/records.hpp"
#include "daemon/ledger/tape.hpp"
#include "daemon/protocol/protocol.hpp"

#include <cstdint>
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <variant>

namespace slowfilm::record {

// Who and where a run is: what neither the protocol nor the plan knows.
struct RunIdentity {
    ledger::RunNumber run{0};
    std::string cell, channel;
    ledger::RunNumber tray{0};  // the first run of its tray
    std::string tray_name;
    std::string boot_id;
    bool rehearsal{false};
    Time created;
    std::int64_t created_utc{0};  // us since 1970
};

// Written once, at start. `text` is the protocol as the user wrote it; traits, caps and capacity come from the plan.
[[nodiscard]] ledger::RunHeader header(const protocol::Protocol& protocol, const std::string& text,
                                       const engine::Plan& plan, const CellHistory& history,
                                       const RunIdentity& identity);

// What a person must do for this run now, as a sentence; "" when nothing.
[[nodiscard]] std::string needs(const engine::Plan& plan, const engine::Run& run);
// The same, led by what comes first of all where the output is not seen open though it should be.
[[nodiscard]] std::string led_by_stuck(const engine::Run& run, std::string needs);
// "1.3" for the third pass of an inner repeat in the first of an outer one, "" outside repeats.
[[nodiscard]] std::string pass_text(std::span<const std::uint32_t> pass);

// The visit that just ended (run.last_visit), or the one under way.
[[nodiscard]] ledger::VisitRecord visit_record(ledger::RunNumber number, const engine::Plan& plan,
                                               const engine::VisitTotals& totals);
[[nodiscard]] ledger::MarkRecord mark_record(ledger::RunNumber number, const engine::Plan& plan,
                                             const engine::VisitTotals& totals, const engine::Mark& mark);
// Why a pulse has no resistance, as the ledger spells it; "" where it has one.
[[nodiscard]] std::string_view name(engine::NoResistance reason);
[[nodiscard]] ledger::EventRecord event_record(ledger::RunNumber number, const engine::Plan& plan,
                                               std::uint64_t sequence, const Event& event, std::int64_t utc);
// How near each guard has come to its limit so far, in the unit of its row.
[[nodiscard]] ledger::GuardMargins margins(ledger::RunNumber number, const engine::Plan& plan, const engine::Run& run);
[[nodiscard]] ledger::Checkpoint checkpoint(ledger::RunNumber number, const engine::Run& run);
// What the encoder holds, as one chunk; the encoder is empty afterwards. Nothing when it was empty.
[[nodiscard]] std::optional<ledger::TapeChunk> tape_chunk(ledger::RunNumber number, ledger::TapeEncoder& encoder,
                                                          std::int64_t utc);

// The records of one run as its fold goes on. Call after every advance(), in order; it holds only sums and labels that
// the fold does not need, and no reference to the run. The plan must outlive it.
class Recorder {
  public:
    using Put = std::function<void(ledger::Record)>;

    Recorder(const engine::Plan& plan, ledger::RunNumber number, std::string cell);
    // The run goes on with another plan: it was put on another channel. The plan must outlive the recorder.
    void go_on_with(const engine::Plan& plan) { plan_ = &plan; }
    // After a restart: the sums over the visits already in the ledger, and the labels of the status already there.
    void resume_from(std::span<const ledger::VisitRecord> visits, const ledger::RunStatus& status);

    // Every input, also those that leave nothing else: a sample is kept under the number it has on the tape, even
    // where a later command or trip is what asks for it. Cheap.
    void saw(const Input& input) {
        if (const Sample* sample = std::get_if<Sample>(&input.body)) {
            seen_ = {.sequence = input.sequence, .time = input.time, .sample = *sample};
        }
    }
    // Whether an input left something to record besides the tape; cheap, so that most ticks end here.
    [[nodiscard]] static bool has_records(const engine::Decision& decision) {
        return decision.keep || decision.mark || decision.event_count > 0 || decision.commit;
    }
    // In this order: the kept sample, the mark, the ended visit, the events, and the status and the cell where they
    // changed. The input counts as seen.
    void took(const engine::Run& run, const Input& input, const engine::Decision& decision, std::int64_t utc,
              const Put& put);
    // What a person must do now, as record::needs() says it; of a cell trip, also whether it is acknowledged already.
    [[nodiscard]] std::string needs(const engine::Run& run) const;
    // The trip that the run stands in has been acknowledged.
    [[nodiscard]] bool acknowledged(const engine::Run& run) const {
        return acknowledged_ && run.state == RunState::tripped;
    }
    // The run as a whole, for `status`, and for the ledger at every commit.
    [[nodiscard]] ledger::RunStatus status(const engine::Run& run) const;
    [[nodiscard]] ledger::CellRecord cell(const engine::Run& run, std::int64_t utc) const;

  private:
    // A sample as it stands on the tape; sequence 0: none since this recorder began.
    struct Seen {
        std::uint64_t sequence{0};
        Time time;
        Sample sample;
    };

    [[nodiscard]] std::optional<ledger::SampleRecord> sample_record(const Input& input,
                                                                    const engine::VisitTotals& totals, bool begun,
                                                                    std::int64_t utc);
    void note_state(const engine::Run& run, std::int64_t utc, const Put& put);

    const engine::Plan* plan_;
    ledger::RunNumber number_;
    std::string cell_;
    std::string quarantine_;  // the reason, once a trip of class cell has come
    double charge_in_ah_{0}, charge_out_ah_{0}, energy_in_wh_{0}, energy_out_wh_{0};  // of ended visits
    std::optional<std::int64_t> started_utc_, ended_utc_;
    Time ended_;
    RunState state_{RunState::planned};
    WaitReason wait_{WaitReason::none};
    std::string needs_;
    CellHistory history_;
    bool history_known_{false};
    bool acknowledged_{false};
    Seen seen_;
    std::uint64_t kept_{0};  // the input of the last sample record
};

}  // namespace slowfilm::record
