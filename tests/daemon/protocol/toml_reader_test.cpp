#include "daemon/protocol/toml_reader.hpp"

#include "daemon/protocol/toml_scan.hpp"

#include <algorithm>
#include <array>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <locale>

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

namespace slowfilm::protocol {
namespace {

using namespace literals;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;
using ::testing::StartsWith;

std::string messages(Document& document) {
    std::string all;
    for (const Diagnostic& item : document.diagnostics().items) {
        all += std::to_string(item.place.line) + ":" + std::to_string(item.place.column) + ": " + item.message + "\n";
    }
    return all;
}

class Folder {
  public:
    Folder() {
        std::string name = (std::filesystem::temp_directory_path() / "slowfilm-toml-XXXXXX").string();
        path_ = ::mkdtemp(name.data());
    }
    ~Folder() { std::filesystem::remove_all(path_); }
    [[nodiscard]] std::string file(const std::string& name, std::string_view text) const {
        const std::string path = (path_ / name).string();
        std::ofstream{path, std::ios::binary}.write(text.data(), static_cast<std::streamsize>(text.size()));
        return path;
    }
    [[nodiscard]] const std::filesystem::path& path() const { return path_; }

  private:
    std::filesystem::path path_;
};

TEST(TomlReader, reads_each_kind_of_value) {
    Document document = Document::parse("x.toml", R"(
text = "a"
count = 3
port = 0
factor = 1.5
on = true
voltage = "4.2 V"
rate = "C/20"
either = "350 mA"
share = "35 %"
word = "b"
names = ["p", "q"]
users = [0, 1000]
inner = { time = "90 s" }
[[list]]
a = 1
[[list]]
a = 2
)");
    Table root = document.root();
    EXPECT_EQ(root.text("text"), "a");
    EXPECT_EQ(root.count("count"), 3U);
    EXPECT_EQ(root.integer("port", 0, 65'535), 0);
    EXPECT_EQ(root.number("factor"), 1.5);
    EXPECT_EQ(root.number("count"), 3.0);
    EXPECT_EQ(root.truth("on"), true);
    EXPECT_EQ(root.quantity<Dimension::voltage>("voltage"), 4'200_mV);
    EXPECT_EQ(root.step_rate("rate"), StepCurrent(CurrentOrRate{Rate{1, 20}}));
    EXPECT_EQ(root.current_or_rate("either"), CurrentOrRate{350_mA});
    EXPECT_EQ(root.charge_or_ratio("share"), ChargeOrRatio{35_percent});
    EXPECT_EQ(root.current_or_ratio("share"), CurrentOrRatio{35_percent});
    const std::array<std::string_view, 2> words{"a", "b"};
    EXPECT_EQ(root.word("word", words), 1U);
    EXPECT_EQ(root.texts("names"), (std::vector<std::string>{"p", "q"}));
    EXPECT_EQ(root.integers("users", 0, 10'000), (std::vector<std::int64_t>{0, 1000}));
    EXPECT_EQ(root.table("inner")->quantity<Dimension::time>("time"), 90_s);
    std::vector<Table> list = root.tables("list");
    ASSERT_THAT(list, SizeIs(2));
    EXPECT_EQ(list[0].count("a"), 1U);
    EXPECT_EQ(list[1].count("a"), 2U);
    document.refuse_unknown_keys();
    EXPECT_EQ(messages(document), "");
}

TEST(TomlReader, says_what_a_value_is_and_what_it_should_be) {
    Document document = Document::parse("x.toml", R"(a = 4.2
b = "x"
c = 0
d = nan
e = "yes"
f = { }
g = [1]
h = 5
)");
    Table root = document.root();
    EXPECT_FALSE(root.quantity<Dimension::voltage>("a"));
    EXPECT_FALSE(root.quantity<Dimension::time>("b"));
    EXPECT_FALSE(root.count("c"));
    EXPECT_FALSE(root.number("d"));
    EXPECT_FALSE(root.truth("e"));
    EXPECT_FALSE(root.text("f"));
    EXPECT_FALSE(root.texts("g"));
    EXPECT_FALSE(root.table("h"));
    const std::string all = messages(document);
    EXPECT_THAT(all, HasSubstr("1:5: 'a' is a bare number and needs a unit: write \"4.2 V\"\n"));
    EXPECT_THAT(all, HasSubstr("2:5: 'b' = \"x\" "));
    EXPECT_THAT(all, HasSubstr("3:5: 'c' is 0; it must be a whole number from 1 to 1000000\n"));
    Document real = Document::parse("x.toml", "times = 2.0\n");
    EXPECT_FALSE(real.root().count("times"));
    EXPECT_THAT(messages(real), HasSubstr("'times' is 2.0; write a whole number")) << "2 would be right";
    EXPECT_THAT(all, HasSubstr("4:5: 'd' is nan; write a finite number without quotes\n"));
    EXPECT_THAT(all, HasSubstr("5:5: 'e' is \"yes\"; write true or false, without quotes\n"));
    EXPECT_THAT(all, HasSubstr("6:5: 'f' is a table of keys; write a text in quotes"));
    EXPECT_THAT(all, HasSubstr("7:5: 'g' is [ ... ]; write a list of texts"));
    EXPECT_THAT(all, HasSubstr("8:5: 'h' is 5; write a table of keys"));
}

TEST(TomlReader, a_missing_key_is_said_at_its_tables_header) {
    Document document = Document::parse("x.toml", "x = 1\n\n[bench]\na = 1\n");
    Table root = document.root();
    static_cast<void>(root.table("bench")->text("name", Need::required));
    static_cast<void>(root.text("socket", Need::required));
    EXPECT_EQ(messages(document),
              "3:1: 'name' is missing in [bench]; write name = \"...\"\n1:1: 'socket' is missing in the top of the "
              "file; write socket = \"...\"\n");
}

TEST(TomlReader, a_key_nobody_asked_for_is_an_error_with_the_nearest_one) {
    Document document = Document::parse("x.toml", "[bench]\n  comit_every = \"1 s\"\n[other]\na = 1\n");
    Table root = document.root();
    static_cast<void>(root.table("bench")->text("commit_every"));
    document.refuse_unknown_keys();
    document.diagnostics().sort();
    EXPECT_EQ(
        messages(document),
        "2:3: unknown key 'comit_every'; did you mean 'commit_every'?\n3:2: unknown key 'other'; known here: bench\n");
}

TEST(TomlReader, a_table_that_was_left_has_no_unknown_keys) {
    Document document = Document::parse("x.toml", "[bench]\nwhat = 1\n");
    Table root = document.root();
    root.table("bench")->leave();
    document.refuse_unknown_keys();
    EXPECT_EQ(messages(document), "");
}

TEST(TomlReader, places_fall_back_to_what_stands_around) {
    Document document =
        Document::parse("x.toml", "[limits]\n  voltage_max = \"4.2 V\"\n[[step]]\nends = { time = \"1 h\" }\n");
    Table root = document.root();
    static_cast<void>(root.table("limits")->text("voltage_max"));
    static_cast<void>(root.tables("step").front().table("ends")->text("time"));
    const Places& places = document.places();
    EXPECT_EQ(places.of("limits"), (Place{1, 1}));
    EXPECT_EQ(places.of("limits.voltage_max"), (Place{2, 17}));
    EXPECT_EQ(places.of("limits.current_max"), (Place{1, 1}));
    EXPECT_EQ(places.of("step.1.ends.time"), (Place{4, 17}));
    EXPECT_EQ(places.of("step.1.ends.voltage"), (Place{4, 8}));
    EXPECT_EQ(places.of("step.1.rate"), (Place{3, 1}));
    EXPECT_EQ(places.of("nowhere"), (Place{1, 1}));
    EXPECT_TRUE(places.knows("step.1"));
    EXPECT_FALSE(places.knows("step.2"));
}

TEST(TomlReader, columns_count_code_points_after_a_byte_order_mark_tabs_and_carriage_returns) {
    Document document = Document::parse("x.toml",
                                        "\xEF\xBB\xBF"
                                        "a = 1\r\n\"\xC3\xA4\xE2\x82\xAC\" = 2\r\n\tb = \"x\"\r\n");
    Table root = document.root();
    static_cast<void>(root.text("a"));
    static_cast<void>(root.text("\xC3\xA4\xE2\x82\xAC"));
    static_cast<void>(root.count("b"));
    ASSERT_THAT(document.diagnostics().items, SizeIs(3)) << messages(document);
    EXPECT_EQ(document.diagnostics().items[0].place, (Place{1, 5}));
    EXPECT_EQ(document.diagnostics().items[1].place, (Place{2, 8}));
    EXPECT_EQ(document.diagnostics().items[2].place, (Place{3, 6}));
}

TEST(TomlReader, numbers_are_read_alike_under_a_locale_with_decimal_commas) {
    struct Commas : std::numpunct<char> {
        char do_decimal_point() const override { return ','; }
        char do_thousands_sep() const override { return '.'; }
        std::string do_grouping() const override { return "\3"; }
    };
    const std::locale before = std::locale::global(std::locale{std::locale::classic(), new Commas});
    Document document = Document::parse("x.toml", "a = 1234567.5\nb = 4.25\n");
    Table root = document.root();
    const auto a = root.number("a");
    static_cast<void>(root.quantity<Dimension::voltage>("b"));
    std::locale::global(before);
    EXPECT_EQ(a, 1'234'567.5);
    EXPECT_THAT(messages(document), HasSubstr("\"4.25 V\""));
}

// toml++ 3.3 dies on a key of this many parts when it is given one.
TEST(TomlReader, keys_of_absurd_depth_never_reach_the_parser) {
    std::string dots;
    for (int i = 0; i < 100'000; ++i) {
        dots += "a.";
    }
    std::string quoted_dots;
    for (int i = 0; i < 100'000; ++i) {
        quoted_dots += "\"a\" . ";
    }
    for (const std::string& text : {dots + "a = 1\n", "[" + dots + "a]\n", "[[" + dots + "a]]\n",
                                    "x = { " + dots + "a = 1 }\n", "x = [ { " + dots + "a = 1 } ]\n",
                                    quoted_dots + "a = 1\n", "s = \"\"\"\n" + dots + "\"\"\"\n" + dots + "a = 1\n",
                                    "t = 'a' b\n" + dots + "a = 1\n", "d = 2026-03-01 12:00:00\n" + dots + "a = 1\n"}) {
        Document document = Document::parse("x.toml", text);
        EXPECT_FALSE(document.readable());
        ASSERT_THAT(document.diagnostics().items, SizeIs(1));
        EXPECT_THAT(document.diagnostics().items[0].message, HasSubstr("more than 64"));
    }
}

TEST(TomlReader, dots_in_texts_and_comments_are_no_depth) {
    const std::string dots(1'000, '.');
    const std::string text = "# " + dots + "\na = \"" + dots + "\" # " + dots + "\nb = '" + dots + "'\nc = \"\"\"\n" +
                             dots + "\n\\\"\"\" " + dots + "\"\"\"\"\"\nd = '''\n" + dots + "'''''\n\"" + dots +
                             "\" = 1\ne = [ # " + dots + "\n \"x\", '''" + dots + "''' ]\nf = { a = \"" + dots +
                             "\", b = [ [ ] ], c = { } }\n";
    Document document = Document::parse("x.toml", text);
    EXPECT_TRUE(document.readable()) << messages(document);
    EXPECT_EQ(document.root().keys().size(), 7U);
}

TEST(TomlReader, brackets_and_braces_of_absurd_depth_are_refused) {
    std::string braces = "a = ";
    for (int i = 0; i < 300; ++i) {
        braces += "{a=";
    }
    for (const std::string& text : {"a = " + std::string(300, '['), "a = " + std::string(300'000, '['), braces}) {
        Document document = Document::parse("x.toml", text + "\n");
        EXPECT_FALSE(document.readable());
        EXPECT_THAT(messages(document), HasSubstr("nested deeper than 64 levels"));
    }
}

TEST(TomlReader, sixty_four_levels_are_still_read) {
    std::string key = "a";
    for (int i = 1; i < 63; ++i) {
        key += ".a";
    }
    Document document = Document::parse("x.toml", key + " = [ 1 ]\n");
    EXPECT_TRUE(document.readable()) << messages(document);
    Document deeper = Document::parse("x.toml", key + ".a = [ 1 ]\n");
    EXPECT_FALSE(deeper.readable());
    EXPECT_THAT(messages(deeper), StartsWith("1:131: nested deeper than 64 levels"));
}

TEST(TomlReader, bytes_that_are_no_text_are_named_with_their_place) {
    const std::array<std::pair<std::string, std::string>, 6> cases{{
        {"a = \"x\xE9\"\n", "1:7: the byte 0xE9 is not UTF-8"},  // latin-1
        {std::string{"\xFF\xFE"} + "a\0=\0", "1:1: the file is UTF-16"},
        {"a = 1\nb = \"\xC0\xAF\"\n", "2:6: the byte 0xC0 is not UTF-8"},   // overlong (RFC 3629 section 3)
        {"a = \"\xED\xA0\x80\"\n", "1:6: the byte 0xED is not UTF-8"},      // a surrogate
        {"a = \"\xF4\x90\x80\x80\"\n", "1:6: the byte 0xF4 is not UTF-8"},  // beyond U+10FFFF
        {"a = 1\rb = 2\n", "1:6: a control character (0x0D)"},
    }};
    for (const auto& [text, said] : cases) {
        Document document = Document::parse("x.toml", text);
        EXPECT_FALSE(document.readable());
        EXPECT_THAT(messages(document), StartsWith(said));
    }
}

TEST(TomlReader, a_text_over_the_bound_is_not_parsed) {
    Document document = Document::parse("x.toml", std::string(toml_bytes_max + 1, '#'));
    EXPECT_FALSE(document.readable());
    EXPECT_THAT(messages(document), StartsWith("1:1048577: the text is longer than 1048576 bytes"));
    Document fits = Document::parse("x.toml", std::string(toml_bytes_max, '#'));
    EXPECT_TRUE(fits.readable());
}

TEST(TomlReader, what_looks_like_the_end_of_a_text_does_not_fool_the_scan) {
    const detail::Scan scan =
        detail::scan("a = \"\\\"\" # \"\nb = '\\'\nc.d = {e = [ {f = 1}, ], g = \"]\"}\n[x.\"y.z\"]\nh = 1\n", true);
    ASSERT_FALSE(scan.refused);
    std::string all;
    for (const detail::Statement& statement : scan.statements) {
        all += statement.key + "@" + std::to_string(statement.place.line) + ":" +
               std::to_string(statement.place.column) + " ";
    }
    EXPECT_EQ(all, "a@1:1 b@2:1 c.d@3:1 e@3:8 f@3:15 g@3:26 x.y.z@4:1 h@5:1 ");
}

TEST(ReadFileBounded, gives_the_bytes_of_a_regular_file) {
    const Folder folder;
    EXPECT_EQ(read_file_bounded(folder.file("a.toml", "a = 1\n")).value(), "a = 1\n");
    EXPECT_EQ(read_file_bounded(folder.file("empty.toml", "")).value(), "");
    EXPECT_EQ(read_file_bounded(folder.file("full.toml", std::string(toml_bytes_max, '#'))).value().size(),
              toml_bytes_max);
}

TEST(ReadFileBounded, cuts_what_is_too_big_and_refuses_what_is_no_regular_file_without_waiting) {
    const Folder folder;
    const auto big = read_file_bounded(folder.file("big.toml", std::string(10 * toml_bytes_max, '#')));
    ASSERT_TRUE(big);
    EXPECT_EQ(big->size(), toml_bytes_max + 1) << "enough for the parser to refuse it";

    const std::string fifo = (folder.path() / "fifo").string();
    ASSERT_EQ(::mkfifo(fifo.c_str(), 0600), 0);
    for (const std::string& path : {fifo, std::string{"/dev/zero"}, std::string{"/dev/null"}}) {
        const auto got = read_file_bounded(path);
        ASSERT_FALSE(got) << path;
        EXPECT_EQ(got.error().failure, Failure::bad_data);
        EXPECT_THAT(got.error().message, HasSubstr("is no regular file"));
    }
    const auto directory = read_file_bounded(folder.path().string());
    ASSERT_FALSE(directory);
    EXPECT_EQ(directory.error().failure, Failure::bad_data);
    EXPECT_THAT(directory.error().message, HasSubstr("is a directory"));
}

TEST(ReadFileBounded, says_which_file_is_not_there) {
    const auto got = read_file_bounded("/nowhere/night.toml");
    ASSERT_FALSE(got);
    EXPECT_EQ(got.error().failure, Failure::no_input);
    EXPECT_EQ(got.error().message, "there is no file '/nowhere/night.toml'");
}

}  // namespace
}  // namespace slowfilm::protocol
