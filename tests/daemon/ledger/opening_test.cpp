// Which files the writer and the reader take, and what they say of the others.
#include "daemon/ledger/schema.hpp"
#include "tests/daemon/ledger/ledger_samples.hpp"
#include "tests/daemon/ledger/plain_sqlite.hpp"

#include <fcntl.h>
#include <grp.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

namespace slowfilm::ledger {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;
using testing::UnorderedElementsAre;

Result<std::unique_ptr<Writer>> try_writer(const std::string& path) {
    return Writer::open({.path = path});
}

void write_file(const std::string& path, const std::string& bytes) {
    std::ofstream(path, std::ios::binary) << bytes;
}

std::vector<std::string> names_in(const Directory& directory) {
    std::vector<std::string> names;
    for (const auto& entry : std::filesystem::directory_iterator(directory.path()))
        names.push_back(entry.path().filename());
    return names;
}

// Neither takes the file, both say why, and not a byte of it or beside it changes.
void expect_refused(const Directory& directory, Failure failure, const std::string& words) {
    const std::string path = directory.file();
    const std::string before = bytes_of_file(path);
    const auto names = names_in(directory);
    const auto writer = try_writer(path);
    ASSERT_FALSE(writer);
    EXPECT_EQ(writer.error().failure, failure) << writer.error().message;
    EXPECT_THAT(writer.error().message, HasSubstr(words));
    EXPECT_THAT(writer.error().message, HasSubstr(path));
    const auto reader = Reader::open(path);
    ASSERT_FALSE(reader);
    EXPECT_EQ(reader.error().failure, failure) << reader.error().message;
    EXPECT_THAT(reader.error().message, HasSubstr(words));
    EXPECT_EQ(bytes_of_file(path), before);
    EXPECT_THAT(names_in(directory), testing::UnorderedElementsAreArray(names));
}

TEST(Opening, makes_a_missing_ledger_with_our_marks_and_leaves_nothing_but_the_lock_beside_it) {
    const Directory directory;
    open_writer(directory.file());
    EXPECT_THAT(names_in(directory), UnorderedElementsAre("bench.ledger", "bench.ledger.lock"));
    // "SLFM" in hexadecimal is 534C464D, 1397507661.
    EXPECT_THAT(plain_rows(directory.file(), "PRAGMA application_id"), ElementsAre("1397507661"));
    EXPECT_THAT(plain_rows(directory.file(), "PRAGMA user_version"), ElementsAre("1"));
    EXPECT_THAT(plain_rows(directory.file(), "PRAGMA journal_mode"), ElementsAre("wal"));
    EXPECT_THAT(plain_rows(directory.file(), "SELECT writing FROM ledger"), ElementsAre("0"));
}

TEST(Opening, an_empty_file_becomes_a_ledger_and_is_none_to_read) {
    const Directory directory;
    write_file(directory.file(), "");
    const auto reader = Reader::open(directory.file());
    ASSERT_FALSE(reader);
    EXPECT_EQ(reader.error().failure, Failure::bad_data);
    EXPECT_THAT(reader.error().message, HasSubstr("it is empty"));
    ASSERT_TRUE(try_writer(directory.file()));
    EXPECT_TRUE(Reader::open(directory.file()));
}

TEST(Opening, what_a_writer_left_half_made_is_swept_away) {
    const Directory directory;
    write_file(directory.file("bench.ledger.new"), "half a ledger");
    write_file(directory.file("bench.ledger.new-journal"), "and its journal");
    open_writer(directory.file());
    EXPECT_THAT(names_in(directory), UnorderedElementsAre("bench.ledger", "bench.ledger.lock"));
}

TEST(Opening, a_missing_directory_is_named) {
    const Directory directory;
    const auto writer = try_writer(directory.file("no/such/bench.ledger"));
    ASSERT_FALSE(writer);
    EXPECT_EQ(writer.error().failure, Failure::cannot_create);
    EXPECT_THAT(writer.error().message, HasSubstr("there is no directory " + directory.file("no/such")));
}

TEST(Opening, a_missing_ledger_cannot_be_read) {
    const Directory directory;
    const auto reader = Reader::open(directory.file());
    ASSERT_FALSE(reader);
    EXPECT_EQ(reader.error().failure, Failure::no_input);
    EXPECT_THAT(reader.error().message, HasSubstr(directory.file()));
    EXPECT_TRUE(std::filesystem::is_empty(directory.path()));
}

TEST(Opening, a_text_file_is_refused_untouched) {
    const Directory directory;
    write_file(directory.file(), "title = \"not a ledger\"\n" + std::string(2000, 'x'));
    expect_refused(directory, Failure::bad_data, "it is not an SQLite database");
}

TEST(Opening, a_file_of_zeros_and_a_short_one_are_refused_untouched) {
    {
        const Directory directory;
        write_file(directory.file(), std::string(8192, '\0'));
        expect_refused(directory, Failure::bad_data, "is not a ledger");
    }
    const Directory directory;
    write_file(directory.file(), "x");
    expect_refused(directory, Failure::bad_data, "is not a ledger");
}

TEST(Opening, another_program_s_database_is_refused_untouched) {
    const Directory directory;
    PlainClient(directory.file())
        .run("CREATE TABLE shopping(item TEXT); PRAGMA application_id = 7; PRAGMA user_version = 1");
    expect_refused(directory, Failure::bad_data, "it is an SQLite database of another program");
}

TEST(Opening, another_program_s_database_in_wal_mode_is_refused_and_no_log_is_left_beside_it) {
    const Directory directory;
    PlainClient(directory.file()).run("PRAGMA journal_mode = WAL; CREATE TABLE shopping(item TEXT)");
    expect_refused(directory, Failure::bad_data, "it is an SQLite database of another program");
}

TEST(Opening, a_newer_ledger_is_refused_byte_for_byte_untouched) {
    const Directory directory;
    open_writer(directory.file());
    std::filesystem::remove(directory.file("bench.ledger.lock"));
    PlainClient(directory.file()).run("PRAGMA user_version = 2");
    expect_refused(directory, Failure::bad_data, "is a ledger of version 2, from a newer slowfilm");
}

TEST(Opening, the_version_is_read_through_the_log) {
    const Directory directory;
    open_writer(directory.file());
    PlainClient newer(directory.file());  // stays open: its change is in the log alone
    newer.run("PRAGMA wal_autocheckpoint = 0; PRAGMA user_version = 9");
    ASSERT_GT(bytes_of_file(directory.file() + "-wal").size(), 0U);
    const std::string before = bytes_of_file(directory.file());
    const auto writer = try_writer(directory.file());
    ASSERT_FALSE(writer);
    EXPECT_THAT(writer.error().message, HasSubstr("version 9, from a newer slowfilm"));
    EXPECT_EQ(bytes_of_file(directory.file()), before);
}

TEST(Opening, a_version_that_never_was_is_refused) {
    const Directory directory;
    open_writer(directory.file());
    std::filesystem::remove(directory.file("bench.ledger.lock"));
    PlainClient(directory.file()).run("PRAGMA user_version = 0");
    expect_refused(directory, Failure::bad_data, "which there never was");
}

TEST(Opening, a_ledger_without_one_of_its_tables_is_refused) {
    const Directory directory;
    open_writer(directory.file());
    PlainClient(directory.file()).run("DROP TABLE tape");
    const auto writer = try_writer(directory.file());
    ASSERT_FALSE(writer);
    EXPECT_EQ(writer.error().failure, Failure::bad_data);
    EXPECT_THAT(writer.error().message, HasSubstr("no such table: tape"));
}

TEST(Opening, a_log_without_its_ledger_is_not_played_into_a_new_one) {
    const Directory directory;
    write_file(directory.file() + "-wal", "frames of a ledger that is gone");
    const auto writer = try_writer(directory.file());
    ASSERT_FALSE(writer);
    EXPECT_EQ(writer.error().failure, Failure::bad_data);
    EXPECT_THAT(writer.error().message, HasSubstr("but its log " + directory.file() + "-wal is there"));
    EXPECT_FALSE(std::filesystem::exists(directory.file()));
}

TEST(Opening, a_directory_and_a_fifo_are_no_ledgers) {
    const Directory directory;
    std::filesystem::create_directory(directory.file("dir"));
    ASSERT_EQ(::mkfifo(directory.file("fifo").c_str(), 0600), 0);
    for (const auto& [name, words] :
         {std::pair{"dir", "it is a directory"}, std::pair{"fifo", "it is not a regular file"}}) {
        const auto writer = try_writer(directory.file(name));
        ASSERT_FALSE(writer);
        EXPECT_EQ(writer.error().failure, Failure::bad_data);
        EXPECT_THAT(writer.error().message, HasSubstr(words));
        EXPECT_EQ(Reader::open(directory.file(name)).error().failure, Failure::bad_data);
    }
}

TEST(Opening, a_second_writer_is_refused_naming_the_first_and_may_come_after_it) {
    const Directory directory;
    auto first = open_writer(directory.file());
    const auto second = try_writer(directory.file());
    ASSERT_FALSE(second);
    EXPECT_EQ(second.error().failure, Failure::try_again);
    EXPECT_THAT(second.error().message, HasSubstr("process " + std::to_string(::getpid())));
    EXPECT_THAT(second.error().message, HasSubstr(directory.file()));
    first.reset();
    EXPECT_TRUE(try_writer(directory.file()));
}

TEST(Opening, a_second_writer_by_way_of_a_link_is_refused_too) {
    const Directory directory;
    const auto first = open_writer(directory.file());
    std::filesystem::create_symlink(directory.file(), directory.file("link"));
    const auto second = try_writer(directory.file("link"));
    ASSERT_FALSE(second);
    EXPECT_EQ(second.error().failure, Failure::try_again);
}

TEST(Opening, a_writer_of_another_process_is_refused) {
    const Directory directory;
    const auto first = open_writer(directory.file());
    const pid_t child = ::fork();
    if (child == 0) {
        const auto second = try_writer(directory.file());
        ::_exit(!second && second.error().failure == Failure::try_again ? 0 : 1);
    }
    int status = 0;
    ASSERT_EQ(::waitpid(child, &status, 0), child);
    EXPECT_TRUE(WIFEXITED(status) && WEXITSTATUS(status) == 0);
}

TEST(Opening, odd_file_names_are_only_names) {
    const Directory directory;
    for (const char* name : {":memory:", "file:x?mode=memory", "a b%41?immutable=1#c", "\xC3\xA9.ledger"}) {
        {
            const auto writer = open_writer(directory.file(name));
            ASSERT_TRUE(writer->put(header_of(1)));
        }
        EXPECT_TRUE(std::filesystem::exists(directory.file(name))) << name;
        const auto reader = open_reader(directory.file(name));
        EXPECT_TRUE(reader->run(1)) << name;
    }
}

// In a child that is not root: root may write anywhere.
int as_nobody(const std::function<bool()>& check) {
    const pid_t child = ::fork();
    if (child == 0) {
        constexpr uid_t nobody = 65534;
        const bool dropped =
            ::geteuid() != 0 || (::setgroups(0, nullptr) == 0 && ::setgid(nobody) == 0 && ::setuid(nobody) == 0);
        ::_exit(dropped && check() ? 0 : 1);
    }
    int status = 0;
    ::waitpid(child, &status, 0);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 2;
}

TEST(Opening, a_ledger_in_a_directory_that_cannot_be_written_is_read_and_not_written) {
    const Directory directory;
    {
        const auto writer = open_writer(directory.file());
        ASSERT_TRUE(writer->put(header_of(1)));
        Feed feed(*writer, 1);
        ASSERT_TRUE(feed.put(10));
    }
    std::filesystem::remove(directory.file("bench.ledger.lock"));
    std::filesystem::permissions(directory.path(), std::filesystem::perms(0555));
    const int outcome = as_nobody([&] {
        const auto reader = Reader::open(directory.file());
        if (!reader)
            return false;
        const auto verified = (*reader)->verify();
        if (!verified || !verified->good || verified->samples != 10)
            return false;
        const auto writer = try_writer(directory.file());
        return !writer && writer.error().failure == Failure::cannot_create;
    });
    EXPECT_EQ(outcome, 0);
    EXPECT_THAT(names_in(directory), ElementsAre("bench.ledger"));
}

TEST(Opening, a_log_that_cannot_be_read_where_the_directory_cannot_be_written_is_said_and_an_empty_one_does_no_harm) {
    const Directory directory;
    const Directory elsewhere;
    const auto writer = open_writer(directory.file());
    ASSERT_TRUE(writer->put(header_of(1)));
    ASSERT_TRUE(writer->flush());
    std::filesystem::copy_file(directory.file(), elsewhere.file());
    std::filesystem::copy_file(directory.file() + "-wal", elsewhere.file() + "-wal");
    std::filesystem::permissions(elsewhere.path(), std::filesystem::perms(0555));
    EXPECT_EQ(as_nobody([&] {
                  const auto reader = Reader::open(elsewhere.file());
                  return !reader && reader.error().failure == Failure::bad_data &&
                         reader.error().message.find("has a log beside it") != std::string::npos;
              }),
              0);
    std::filesystem::permissions(elsewhere.path(), std::filesystem::perms(0755));
    write_file(elsewhere.file() + "-wal", "");
    std::filesystem::permissions(elsewhere.path(), std::filesystem::perms(0555));
    EXPECT_EQ(as_nobody([&] {
                  const auto reader = Reader::open(elsewhere.file());
                  return reader && (*reader)->runs().has_value();
              }),
              0);
}

TEST(Opening, a_ledger_that_may_not_be_read_is_not_allowed) {
    const Directory directory;
    open_writer(directory.file());
    std::filesystem::permissions(directory.path(), std::filesystem::perms(0755));
    std::filesystem::permissions(directory.file(), std::filesystem::perms(0000));
    EXPECT_EQ(as_nobody([&] {
                  const auto reader = Reader::open(directory.file());
                  return !reader && reader.error().failure == Failure::not_allowed &&
                         reader.error().message.find("Permission denied") != std::string::npos;
              }),
              0);
}

TEST(Opening, room_is_checked_with_figures) {
    const Directory directory;
    EXPECT_TRUE(room_for(directory.file(), 1));
    const auto none = room_for(directory.file(), std::uint64_t{1} << 62U);
    ASSERT_FALSE(none);
    EXPECT_EQ(none.error().failure, Failure::cannot_write);
    EXPECT_THAT(none.error().message, HasSubstr("it can take 4398046511104 MiB"));
    EXPECT_THAT(none.error().message, HasSubstr("MiB free"));
    EXPECT_THAT(none.error().message, HasSubstr(directory.path().string()));
    const auto nowhere = room_for(directory.file("no/such/file"), 1);
    ASSERT_FALSE(nowhere);
    EXPECT_THAT(nowhere.error().message, HasSubstr("No such file or directory"));
}

TEST(Opening, a_ledger_with_a_second_name_is_not_written_under_either) {
    const Directory directory;
    open_writer(directory.file());
    std::filesystem::create_hard_link(directory.file(), directory.file("other.ledger"));
    for (const char* name : {"bench.ledger", "other.ledger"}) {
        const auto writer = Writer::open({.path = directory.file(name)});
        ASSERT_FALSE(writer) << name;
        EXPECT_EQ(writer.error().failure, Failure::bad_data);
        EXPECT_THAT(writer.error().message, testing::HasSubstr("has 2 names (hard links)"));
    }
    std::filesystem::remove(directory.file("other.ledger"));
    EXPECT_TRUE(Writer::open({.path = directory.file()}));
}

}  // namespace
}  // namespace slowfilm::ledger
