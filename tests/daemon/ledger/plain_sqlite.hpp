// The ledger seen as any SQLite client sees it, without our reader.
#pragma once

#include <fstream>
#include <iterator>
#include <string>
#include <vector>

#include <gtest/gtest.h>
#include <sqlite3.h>

namespace slowfilm::ledger {

class PlainClient {
  public:
    explicit PlainClient(const std::string& path) {
        EXPECT_EQ(sqlite3_open_v2(path.c_str(), &handle_, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, nullptr),
                  SQLITE_OK);
    }
    ~PlainClient() { sqlite3_close(handle_); }
    PlainClient(const PlainClient&) = delete;
    PlainClient& operator=(const PlainClient&) = delete;

    void run(const std::string& sql) {
        char* message = nullptr;
        EXPECT_EQ(sqlite3_exec(handle_, sql.c_str(), nullptr, nullptr, &message), SQLITE_OK)
            << sql << ": " << (message == nullptr ? "" : message);
        sqlite3_free(message);
    }
    // Each row as "a|b|NULL".
    std::vector<std::string> rows(const std::string& sql) {
        std::vector<std::string> result;
        sqlite3_stmt* statement = nullptr;
        EXPECT_EQ(sqlite3_prepare_v2(handle_, sql.c_str(), -1, &statement, nullptr), SQLITE_OK)
            << sqlite3_errmsg(handle_);
        int code = SQLITE_DONE;
        while ((code = sqlite3_step(statement)) == SQLITE_ROW) {
            std::string line;
            for (int i = 0; i < sqlite3_column_count(statement); ++i) {
                const auto* text = reinterpret_cast<const char*>(sqlite3_column_text(statement, i));
                line += (i == 0 ? "" : "|") + std::string(text == nullptr ? "NULL" : text);
            }
            result.push_back(line);
        }
        EXPECT_EQ(code, SQLITE_DONE) << sqlite3_errmsg(handle_);
        sqlite3_finalize(statement);
        return result;
    }

  private:
    sqlite3* handle_{nullptr};
};

inline std::vector<std::string> plain_rows(const std::string& path, const std::string& sql) {
    return PlainClient(path).rows(sql);
}

inline std::string bytes_of_file(const std::string& path) {
    std::ifstream in(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
}

}  // namespace slowfilm::ledger
