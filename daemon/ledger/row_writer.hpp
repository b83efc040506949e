// The prepared statements that put records into an open transaction.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/ledger/records.hpp"
#include "daemon/ledger/sqlite.hpp"

#include <cstddef>

namespace slowfilm::ledger {

class RowWriter {
  public:
    [[nodiscard]] static Result<RowWriter> prepare(const Connection& connection);

    // SQLITE_DONE, or what went wrong; a record that breaks a constraint (of a run that is not there, twice the same
    // sample) leaves the transaction as it was.
    [[nodiscard]] int write(const RunHeader& header);
    [[nodiscard]] int write(const RunStatus& status);
    [[nodiscard]] int write(const VisitRecord& visit);
    [[nodiscard]] int write(const EventRecord& event);
    [[nodiscard]] int write(const SampleRecord& sample);
    [[nodiscard]] int write(const TapeChunk& chunk);
    [[nodiscard]] int write(const Checkpoint& checkpoint);
    [[nodiscard]] int write(const GuardMargins& margins);
    [[nodiscard]] int write(const OperatorAction& action);
    [[nodiscard]] int write(const CellRecord& cell);
    [[nodiscard]] int write(const MarkRecord& mark);
    // The run's channel is the new one from then on.
    [[nodiscard]] int write(const MoveRecord& move);
    // A cell that was not known is from then on, without a history.
    [[nodiscard]] int write(const HandReading& reading);
    [[nodiscard]] int write(const QuarantineLifted& lifted);
    [[nodiscard]] int write(const ChannelLatch& latch);

  private:
    sqlite3* handle_{nullptr};
    Statement header_, status_, visit_, event_, sample_, tape_, checkpoint_, drop_margins_, margin_, action_,
        find_cell_, cell_, mark_, move_, channel_of_run_, new_cell_, reading_, lifted_, lift_, latch_, unlatch_;
};

}  // namespace slowfilm::ledger
