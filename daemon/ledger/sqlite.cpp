#include "daemon/ledger/sqlite.hpp"

#include <cerrno>
#include <cmath>
#include <limits>
#include <system_error>

namespace slowfilm::ledger {
namespace {

// RFC 3986: everything but the unreserved characters and '/' is escaped, so that no path is taken for a query.
std::string uri_of(const std::string& path, std::string_view query) {
    constexpr std::string_view digits = "0123456789ABCDEF";
    constexpr std::string_view plain = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~/";
    std::string uri = "file:";
    for (const char c : path) {
        if (plain.find(c) != std::string_view::npos) {
            uri += c;
            continue;
        }
        const auto byte = static_cast<std::uint8_t>(c);
        uri += '%';
        uri += digits[byte >> 4U];
        uri += digits[byte & 0x0FU];
    }
    return uri.append(query);
}

// What a person can do about it, where that is known.
std::string_view advice(int code) {
    const int reason = primary(code);
    if (reason == SQLITE_FULL)
        return "; make room on the disk";
    if (reason == SQLITE_BUSY || reason == SQLITE_LOCKED)
        return "; another program holds it: close that program";
    if (reason == SQLITE_READONLY || reason == SQLITE_PERM || reason == SQLITE_CANTOPEN) {
        return "; see to it that this user may read and write the file and its directory";
    }
    if (reason == SQLITE_NOTADB || reason == SQLITE_CORRUPT)
        return "; take it from a good copy";
    return "";
}

}  // namespace

Result<Connection> Connection::open(const std::string& path, Mode mode) {
    int flags = SQLITE_OPEN_URI | SQLITE_OPEN_NOMUTEX | SQLITE_OPEN_EXRESCODE;
    std::string_view query;
    switch (mode) {
        case Mode::create: flags |= SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE; break;
        case Mode::write: flags |= SQLITE_OPEN_READWRITE; break;
        case Mode::read: flags |= SQLITE_OPEN_READONLY; break;
        case Mode::immutable:
            flags |= SQLITE_OPEN_READONLY;
            query = "?immutable=1";
            break;
    }
    Connection connection;
    connection.path_ = path;
    sqlite3* handle = nullptr;
    const int code = sqlite3_open_v2(uri_of(path, query).c_str(), &handle, flags, nullptr);
    connection.handle_.reset(handle);
    if (code != SQLITE_OK) {
        return tl::unexpected(connection.error(mode == Mode::create ? Failure::cannot_create : Failure::bad_data,
                                               mode == Mode::create ? "create" : "open", code));
    }
    sqlite3_db_config(handle, SQLITE_DBCONFIG_DEFENSIVE, 1, nullptr);
    sqlite3_db_config(handle, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, nullptr);
    if (mode == Mode::read || mode == Mode::immutable) {
        sqlite3_db_config(handle, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, nullptr);
    }
    return connection;
}

Error Connection::error(Failure failure, std::string_view doing, int code) const {
    std::string message = "cannot " + std::string(doing) + " the ledger " + path_ + ": " + sqlite3_errstr(code);
    const std::string detail = handle_ == nullptr ? "" : sqlite3_errmsg(handle_.get());
    if (!detail.empty() && detail != sqlite3_errstr(code) && detail != "not an error")
        message += " (" + detail + ")";
    // A COMMIT that fails leaves no number with SQLite; step() has cleared errno before it.
    int system = handle_ == nullptr ? 0 : sqlite3_system_errno(handle_.get());
    if (system == 0)
        system = errno;
    const bool of_the_system = primary(code) == SQLITE_IOERR || primary(code) == SQLITE_CANTOPEN;
    if (of_the_system && system != 0)
        message += ": " + std::generic_category().message(system);
    message += advice(code);
    return {failure, std::move(message)};
}

Result<void> Connection::run(const std::string& sql) {
    const int code = sqlite3_exec(handle_.get(), sql.c_str(), nullptr, nullptr, nullptr);
    if (code != SQLITE_OK)
        return tl::unexpected(error(Failure::cannot_write, "write", code));
    return {};
}

Result<std::int64_t> Connection::integer(const std::string& sql) {
    auto statement = Statement::prepare(*this, sql);
    if (!statement)
        return tl::unexpected(std::move(statement.error()));
    const int code = statement->step();
    if (code != SQLITE_ROW)
        return tl::unexpected(error(Failure::bad_data, "read", code));
    return statement->integer();
}

Result<std::string> Connection::text(const std::string& sql) {
    auto statement = Statement::prepare(*this, sql);
    if (!statement)
        return tl::unexpected(std::move(statement.error()));
    const int code = statement->step();
    if (code != SQLITE_ROW)
        return tl::unexpected(error(Failure::bad_data, "read", code));
    return statement->text();
}

Result<Statement> Statement::prepare(const Connection& connection, std::string_view sql) {
    Statement statement;
    sqlite3_stmt* handle = nullptr;
    const int code = sqlite3_prepare_v3(connection.handle(), sql.data(), static_cast<int>(sql.size()),
                                        SQLITE_PREPARE_PERSISTENT, &handle, nullptr);
    statement.statement_.reset(handle);
    if (code != SQLITE_OK)
        return tl::unexpected(connection.error(Failure::bad_data, "read", code));
    return statement;
}

void Statement::bind(std::int64_t value) {
    note(sqlite3_bind_int64(statement_.get(), ++bound_, value));
}
void Statement::bind(double value) {
    if (!std::isfinite(value))
        return bind_null();
    note(sqlite3_bind_double(statement_.get(), ++bound_, value));
}
void Statement::bind(std::string_view text) {
    note(sqlite3_bind_text64(statement_.get(), ++bound_, text.data() == nullptr ? "" : text.data(), text.size(),
                             SQLITE_STATIC, SQLITE_UTF8));
}
void Statement::bind(std::optional<double> value) {
    value ? bind(*value) : bind_null();
}
void Statement::bind(std::optional<std::int64_t> value) {
    value ? bind(*value) : bind_null();
}
void Statement::bind_blob(std::string_view bytes) {
    note(sqlite3_bind_blob64(statement_.get(), ++bound_, bytes.data() == nullptr ? "" : bytes.data(), bytes.size(),
                             SQLITE_STATIC));
}
void Statement::bind_null() {
    note(sqlite3_bind_null(statement_.get(), ++bound_));
}

int Statement::step() {
    column_ = 0;
    errno = 0;
    return bind_code_ != SQLITE_OK ? bind_code_ : sqlite3_step(statement_.get());
}

int Statement::run() {
    const int code = step();
    rewind();
    return code;
}

void Statement::rewind() {
    // Gives the last step's failure again, which the caller has already seen.
    sqlite3_reset(statement_.get());
    bound_ = 0;
    bind_code_ = SQLITE_OK;
}

std::int64_t Statement::integer() {
    return sqlite3_column_int64(statement_.get(), column_++);
}
double Statement::real() {
    return real_or_null().value_or(std::numeric_limits<double>::quiet_NaN());
}

std::string Statement::text() {
    const int column = column_++;
    const auto* bytes = static_cast<const char*>(sqlite3_column_blob(statement_.get(), column));
    if (bytes == nullptr)
        return {};
    return {bytes, static_cast<std::size_t>(sqlite3_column_bytes(statement_.get(), column))};
}

std::string_view Statement::blob() {
    const int column = column_++;
    const auto* bytes = static_cast<const char*>(sqlite3_column_blob(statement_.get(), column));
    if (bytes == nullptr)
        return {};
    return {bytes, static_cast<std::size_t>(sqlite3_column_bytes(statement_.get(), column))};
}

std::optional<double> Statement::real_or_null() {
    const int column = column_++;
    if (sqlite3_column_type(statement_.get(), column) == SQLITE_NULL)
        return std::nullopt;
    return sqlite3_column_double(statement_.get(), column);
}

std::optional<std::int64_t> Statement::integer_or_null() {
    const int column = column_++;
    if (sqlite3_column_type(statement_.get(), column) == SQLITE_NULL)
        return std::nullopt;
    return sqlite3_column_int64(statement_.get(), column);
}

}  // namespace slowfilm::ledger
