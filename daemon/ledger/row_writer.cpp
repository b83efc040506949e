#include "daemon/ledger/row_writer.hpp"

#include "daemon/ledger/names.hpp"
#include "daemon/ledger/rows.hpp"

#include <string>
#include <utility>

namespace slowfilm::ledger {

Result<RowWriter> RowWriter::prepare(const Connection& connection) {
    RowWriter writer;
    writer.handle_ = connection.handle();
    const std::pair<Statement*, std::string> statements[] = {
        {&writer.header_, insert_into("run", run_columns)},
        {&writer.status_,
         "UPDATE run SET state = ?, wait = ?, needs = ?, started_utc_us = ?, ended_utc_us = ?, started_us = ?, "
         "ended_us = ? "
         "WHERE number = ?"},
        {&writer.visit_, "REPLACE" + insert_into("visit", visit_columns).substr(6)},
        {&writer.event_, insert_into("event", event_columns)},
        {&writer.sample_, insert_into("sample", sample_columns)},
        {&writer.tape_, insert_into("tape", tape_columns)},
        {&writer.checkpoint_,
         insert_into("checkpoint", checkpoint_columns) +
             " ON CONFLICT(run) DO UPDATE SET sequence = excluded.sequence, state = excluded.state "
             "WHERE excluded.sequence >= checkpoint.sequence"},
        {&writer.drop_margins_, "DELETE FROM guard_margin WHERE run = ?"},
        {&writer.margin_, insert_into("guard_margin", margin_columns)},
        {&writer.action_, insert_into("operator_action", action_columns)},
        {&writer.find_cell_, "SELECT " + std::string(cell_columns) + " FROM cell WHERE id = ?"},
        {&writer.cell_,
         insert_into("cell", cell_columns) +
             " ON CONFLICT(id) DO UPDATE SET furthest = excluded.furthest, known = excluded.known, "
             "armed = excluded.armed, quarantined = excluded.quarantined, first_leg_over = excluded.first_leg_over, "
             "leg_pc = excluded.leg_pc, leg_unseen_pc = excluded.leg_unseen_pc, net_pc = excluded.net_pc, "
             "net_unseen_pc = excluded.net_unseen_pc, highest_nv = excluded.highest_nv, "
             "measured_pc = excluded.measured_pc, low_since_us = excluded.low_since_us, "
             "quarantine = excluded.quarantine, "
             "updated_utc_us = excluded.updated_utc_us"},
        {&writer.mark_, insert_into("mark", mark_columns)},
        {&writer.move_, "INSERT INTO move(" + std::string(move_columns) +
                            ", place) SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, (SELECT count(*) FROM move WHERE run = ?1)"},
        {&writer.channel_of_run_, "UPDATE run SET channel = ? WHERE number = ?"},
        {&writer.new_cell_, "INSERT OR IGNORE INTO cell(" + std::string(cell_columns) +
                                ") VALUES(?, 'pristine', 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, '', ?)"},
        {&writer.reading_, insert_into("hand_reading", hand_reading_columns)},
        {&writer.lifted_, insert_into("quarantine_lifted", lifted_columns)},
        {&writer.lift_, "UPDATE cell SET quarantined = 0, quarantine = '', updated_utc_us = ? WHERE id = ?"},
        {&writer.latch_, "REPLACE" + insert_into("channel_latch", latch_columns).substr(6)},
        {&writer.unlatch_, "DELETE FROM channel_latch WHERE channel = ?"},
    };
    for (const auto& [statement, sql] : statements) {
        auto prepared = Statement::prepare(connection, sql);
        if (!prepared)
            return tl::unexpected(std::move(prepared.error()));
        *statement = std::move(*prepared);
    }
    return writer;
}

int RowWriter::write(const RunHeader& header) {
    const HeaderTexts texts(header);
    bind(header_, header, texts);
    return header_.run();
}

int RowWriter::write(const RunStatus& status) {
    status_.bind(word_of(status.state));
    status_.bind(word_of(status.wait));
    status_.bind(std::string_view(status.needs));
    status_.bind(status.started_utc);
    status_.bind(status.ended_utc);
    status_.bind(status.started.count);
    status_.bind(status.ended.count);
    status_.bind(std::int64_t{status.run});
    const int code = status_.run();
    // An update that finds no run is what a reference to a missing run is elsewhere.
    if (code == SQLITE_DONE && sqlite3_changes(handle_) == 0)
        return SQLITE_CONSTRAINT_FOREIGNKEY;
    return code;
}

int RowWriter::write(const VisitRecord& visit) {
    bind(visit_, visit);
    return visit_.run();
}

int RowWriter::write(const EventRecord& event) {
    bind(event_, event);
    return event_.run();
}

int RowWriter::write(const SampleRecord& sample) {
    bind(sample_, sample);
    return sample_.run();
}

int RowWriter::write(const TapeChunk& chunk) {
    bind(tape_, chunk);
    return tape_.run();
}

int RowWriter::write(const Checkpoint& checkpoint) {
    bind(checkpoint_, checkpoint);
    return checkpoint_.run();
}

int RowWriter::write(const GuardMargins& margins) {
    drop_margins_.bind(std::int64_t{margins.run});
    int code = drop_margins_.run();
    for (std::size_t place = 0; place < margins.rows.size() && code == SQLITE_DONE; ++place) {
        bind(margin_, margins.run, place, margins.rows[place]);
        code = margin_.run();
    }
    return code;
}

int RowWriter::write(const OperatorAction& action) {
    bind(action_, action);
    return action_.run();
}

int RowWriter::write(const CellRecord& cell) {
    CellRecord written = cell;
    find_cell_.bind(std::string_view(cell.id));
    int code = find_cell_.step();
    if (code == SQLITE_ROW) {
        CellRecord older;
        const bool readable = read(find_cell_, older).has_value();
        if (!readable)
            code = SQLITE_CORRUPT;
        written = merged(older, std::move(written));
    }
    find_cell_.rewind();
    if (code != SQLITE_ROW && code != SQLITE_DONE)
        return code;
    bind(cell_, written);
    return cell_.run();
}

int RowWriter::write(const MarkRecord& mark) {
    bind(mark_, mark);
    return mark_.run();
}

int RowWriter::write(const MoveRecord& move) {
    const MoveTexts texts(move);
    bind(move_, move, texts);
    if (const int code = move_.run(); code != SQLITE_DONE)
        return code;
    channel_of_run_.bind(std::string_view(move.to));
    channel_of_run_.bind(std::int64_t{move.run});
    return channel_of_run_.run();
}

int RowWriter::write(const HandReading& reading) {
    new_cell_.bind(std::string_view(reading.cell));
    new_cell_.bind(reading.utc);
    if (const int code = new_cell_.run(); code != SQLITE_DONE)
        return code;
    bind(reading_, reading);
    return reading_.run();
}

int RowWriter::write(const QuarantineLifted& lifted) {
    bind(lifted_, lifted);
    if (const int code = lifted_.run(); code != SQLITE_DONE)
        return code;
    lift_.bind(lifted.utc);
    lift_.bind(std::string_view(lifted.cell));
    return lift_.run();
}

int RowWriter::write(const ChannelLatch& latch) {
    if (latch.text.empty()) {
        unlatch_.bind(std::string_view(latch.channel));
        return unlatch_.run();
    }
    bind(latch_, latch);
    return latch_.run();
}

}  // namespace slowfilm::ledger
