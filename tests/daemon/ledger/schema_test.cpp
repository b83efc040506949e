// The page that documents the schema names every table and every column, and no others.
#include "tests/daemon/ledger/ledger_samples.hpp"
#include "tests/daemon/ledger/plain_sqlite.hpp"

#include <regex>
#include <set>

namespace slowfilm::ledger {
namespace {

using testing::ElementsAre;

// The words in backquotes of a table's row.
std::set<std::string> documented_columns(const std::string& page, const std::string& table) {
    const std::string start = "\n| " + table + " | ";
    const std::size_t from = page.find(start);
    if (from == std::string::npos)
        return {};
    const std::string row = page.substr(from + 1, page.find('\n', from + 1) - from - 1);
    const std::regex word("`([a-z0-9_]+)`");
    std::set<std::string> columns;
    for (std::sregex_iterator it(row.begin(), row.end(), word); it != std::sregex_iterator(); ++it)
        columns.insert((*it)[1]);
    columns.erase("_na");  // units of JSON keys
    columns.erase("_mk");
    return columns;
}

TEST(Schema, is_documented_column_by_column) {
    const Directory directory;
    open_writer(directory.file());
    PlainClient client(directory.file());
    const std::string page = bytes_of_file(SLOWFILM_SOURCE_DIR "/daemon/ledger/SCHEMA.md");
    const auto tables = client.rows("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name");
    EXPECT_THAT(tables,
                ElementsAre("cell", "channel_latch", "checkpoint", "event", "guard_margin", "hand_reading", "ledger",
                            "mark", "move", "operator_action", "quarantine_lifted", "run", "sample", "tape", "visit"));
    for (const std::string& table : tables) {
        const auto columns = client.rows("SELECT name FROM pragma_table_info('" + table + "')");
        EXPECT_EQ(documented_columns(page, table), std::set<std::string>(columns.begin(), columns.end())) << table;
    }
}

TEST(Schema, tables_are_strict_and_runs_are_referred_to) {
    const Directory directory;
    open_writer(directory.file());
    PlainClient client(directory.file());
    EXPECT_THAT(
        client.rows(
            "SELECT count(*) FROM pragma_table_list WHERE schema = 'main' AND name NOT LIKE 'sqlite%' AND strict = 0"),
        ElementsAre("0"));
    for (const char* table :
         {"visit", "event", "sample", "tape", "checkpoint", "guard_margin", "operator_action", "mark", "move"}) {
        EXPECT_THAT(client.rows("SELECT \"table\", \"to\" FROM pragma_foreign_key_list('" + std::string(table) + "')"),
                    ElementsAre("run|number"))
            << table;
    }
}

}  // namespace
}  // namespace slowfilm::ledger
