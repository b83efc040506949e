#include "daemon/ledger/batch.hpp"

#include <initializer_list>
#include <string>

namespace slowfilm::ledger {
namespace {

// A short string lives inside its record.
std::size_t texts(std::initializer_list<const std::string*> strings) {
    static const std::size_t inside = std::string().capacity();
    std::size_t sum = 0;
    for (const std::string* text : strings) {
        if (text->capacity() > inside)
            sum += text->capacity() + 1;
    }
    return sum;
}

struct BytesOf {
    std::size_t operator()(const RunHeader& r) const {
        return sizeof r + texts({&r.cell, &r.channel, &r.tray_name, &r.protocol_title, &r.protocol_text,
                                 &r.protocol_sha256, &r.effective, &r.software, &r.boot_id});
    }
    std::size_t operator()(const RunStatus& r) const { return sizeof r + texts({&r.needs}); }
    std::size_t operator()(const VisitRecord& r) const {
        return sizeof r + texts({&r.path, &r.name, &r.pass, &r.kind, &r.ended_by, &r.no_resistance});
    }
    std::size_t operator()(const EventRecord& r) const { return sizeof r + texts({&r.kind, &r.text}); }
    std::size_t operator()(const SampleRecord& r) const { return sizeof r + texts({&r.path}); }
    std::size_t operator()(const TapeChunk& r) const { return sizeof r + texts({&r.bytes}); }
    std::size_t operator()(const Checkpoint& r) const { return sizeof r + texts({&r.state}); }
    std::size_t operator()(const GuardMargins& r) const {
        std::size_t sum = sizeof r;
        for (const GuardMargins::Row& row : r.rows) sum += sizeof row + texts({&row.name, &row.unit});
        return sum;
    }
    std::size_t operator()(const OperatorAction& r) const {
        return sizeof r + texts({&r.channel, &r.verb, &r.detail, &r.who});
    }
    std::size_t operator()(const CellRecord& r) const { return sizeof r + texts({&r.id, &r.quarantine}); }
    std::size_t operator()(const MarkRecord& r) const { return sizeof r + texts({&r.path}); }
    std::size_t operator()(const MoveRecord& r) const { return sizeof r + texts({&r.from, &r.to}); }
    std::size_t operator()(const HandReading& r) const {
        return sizeof r + texts({&r.cell, &r.name, &r.unit, &r.text, &r.path, &r.who});
    }
    std::size_t operator()(const QuarantineLifted& r) const {
        return sizeof r + texts({&r.cell, &r.quarantine, &r.reason, &r.who});
    }
    std::size_t operator()(const ChannelLatch& r) const { return sizeof r + texts({&r.channel, &r.text}); }
};

struct NameOf {
    static std::string of_run(const char* what, RunNumber run) { return what + (" of run " + std::to_string(run)); }
    static std::string of_run(const char* what, std::uint64_t number, RunNumber run) {
        return what + (" " + std::to_string(number)) + " of run " + std::to_string(run);
    }
    std::string operator()(const RunHeader& r) const { return of_run("the header", r.run); }
    std::string operator()(const RunStatus& r) const { return of_run("the status", r.run); }
    std::string operator()(const VisitRecord& r) const { return of_run("visit", r.visit, r.run); }
    std::string operator()(const EventRecord& r) const { return of_run("the event at input", r.sequence, r.run); }
    std::string operator()(const SampleRecord& r) const { return of_run("sample", r.sequence, r.run); }
    std::string operator()(const TapeChunk& r) const { return of_run("the tape from input", r.first_sequence, r.run); }
    std::string operator()(const Checkpoint& r) const { return of_run("the checkpoint at input", r.sequence, r.run); }
    std::string operator()(const GuardMargins& r) const { return of_run("the guard margins", r.run); }
    std::string operator()(const OperatorAction& r) const {
        return "the operator's " + r.verb + (r.run ? " of run " + std::to_string(*r.run) : std::string());
    }
    std::string operator()(const CellRecord& r) const { return "the cell " + r.id; }
    std::string operator()(const MarkRecord& r) const { return of_run("a mark", r.run); }
    std::string operator()(const MoveRecord& r) const { return of_run("the move", r.run); }
    std::string operator()(const HandReading& r) const { return "the hand reading " + r.name + " of cell " + r.cell; }
    std::string operator()(const QuarantineLifted& r) const { return "the release of cell " + r.cell; }
    std::string operator()(const ChannelLatch& r) const { return "the latch of channel " + r.channel; }
};

}  // namespace

std::string name_of(const Record& record) {
    return std::visit(NameOf{}, record);
}

std::size_t bytes_of(const Record& record) {
    return 1 + std::visit(BytesOf{}, record);
}

}  // namespace slowfilm::ledger
