// A reader over toml++ for every TOML file a person writes: protocols and benches. The text is bounded before the
// parser sees it, syntax errors come as sentences of ours, and a key that nobody asked for is an error with the nearest
// known one. All complaints of a file come in one pass; nothing is thrown.
//
//     Document document = Document::parse("bench.toml", text);
//     Table root = document.root();
//     if (std::optional<Table> ledger = root.table("ledger", Need::required)) {
//         std::optional<std::string> path = ledger->text("path", Need::required);
//         std::optional<Duration> every = ledger->quantity<Dimension::time>("commit_every");
//     }
//     document.refuse_unknown_keys();
//     if (document.diagnostics().has_errors()) ...
#pragma once

#include "daemon/core/diagnostic.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"

#include <cstdint>
#include <map>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

namespace slowfilm::protocol {

// Where each value stands in the file, by dotted path: "limits.voltage_max", "step.6.2.ends.voltage"; "step.6.2" is the
// step's own header. Arrays count from 1.
class Places {
  public:
    void note(std::string path, Place place);
    // The place of `path`, else of the nearest path around it, else 1:1.
    [[nodiscard]] Place of(std::string_view path) const;
    [[nodiscard]] bool knows(std::string_view path) const;

  private:
    std::map<std::string, Place, std::less<>> places_;
};

inline constexpr std::size_t toml_bytes_max = 1'048'576;
inline constexpr std::size_t toml_depth_max = 64;  // key parts, brackets and braces together

// The text of a regular file, cut after `bytes_max` + 1 bytes: the parser says that it is too long, and where. A
// directory, a FIFO and a device are bad_data (nothing is read from them); a file that is not there or may not be read
// is no_input or not_allowed.
[[nodiscard]] Result<std::string> read_file_bounded(const std::string& path, std::size_t bytes_max = toml_bytes_max);

enum class Need : std::uint8_t { optional, required };

using CurrentOrRatio = std::variant<Current, Ratio>;

namespace detail {
struct Node;
struct DocumentState;
}  // namespace detail

// A view of one table. Every getter returns nothing when the key is absent or its value was refused (and then the
// complaint is noted); every key asked for counts as known. Valid as long as the Document lives.
class Table {
  public:
    [[nodiscard]] std::optional<std::string> text(std::string_view key, Need need = Need::optional);
    // A bare integer >= 1, such as `times`.
    [[nodiscard]] std::optional<std::uint32_t> count(std::string_view key, Need need = Need::optional);
    // A bare integer within [least, most], such as a port or a user's number.
    [[nodiscard]] std::optional<std::int64_t> integer(std::string_view key, std::int64_t least, std::int64_t most,
                                                      Need need = Need::optional);
    // A bare number, integer or not; nan and inf are refused. For what has no unit, such as a seed or a factor.
    [[nodiscard]] std::optional<double> number(std::string_view key, Need need = Need::optional);
    [[nodiscard]] std::optional<bool> truth(std::string_view key, Need need = Need::optional);
    template <Dimension D>
    [[nodiscard]] std::optional<Quantity<D>> quantity(std::string_view key, Need need = Need::optional);
    [[nodiscard]] std::optional<CurrentOrRate> current_or_rate(std::string_view key, Need need = Need::optional);
    [[nodiscard]] std::optional<CurrentOrRate> signed_current_or_rate(std::string_view key, Need need = Need::optional);
    [[nodiscard]] std::optional<ChargeOrRatio> charge_or_ratio(std::string_view key, Need need = Need::optional);
    [[nodiscard]] std::optional<CurrentOrRatio> current_or_ratio(std::string_view key, Need need = Need::optional);
    // Of a step: a share of capacity may say "of measured".
    [[nodiscard]] std::optional<StepCurrent> step_rate(std::string_view key, Need need = Need::optional);
    [[nodiscard]] std::optional<StepCurrent> step_current(std::string_view key, Need need = Need::optional);
    [[nodiscard]] std::optional<StepCharge> step_charge(std::string_view key, Need need = Need::optional);
    // A list of times, not empty; an element that is none is refused at its place.
    [[nodiscard]] std::optional<std::vector<Duration>> times(std::string_view key, Need need = Need::optional);
    // The index of the value within `words`.
    [[nodiscard]] std::optional<std::size_t> word(std::string_view key, std::span<const std::string_view> words,
                                                  Need need = Need::optional);
    [[nodiscard]] std::optional<Table> table(std::string_view key, Need need = Need::optional,
                                             std::string_view example = "{ min = ..., max = ... }");
    // An array of tables; an element that is no table is refused. `path` replaces the elements' path prefix.
    [[nodiscard]] std::vector<Table> tables(std::string_view key, Need need = Need::optional,
                                            std::optional<std::string> path = std::nullopt);
    [[nodiscard]] std::optional<std::vector<std::string>> texts(std::string_view key, Need need = Need::optional);
    [[nodiscard]] std::optional<std::vector<std::int64_t>> integers(std::string_view key, std::int64_t least,
                                                                    std::int64_t most, Need need = Need::optional);

    // These neither complain nor make the key known.
    [[nodiscard]] bool has(std::string_view key) const;
    [[nodiscard]] bool has_table(std::string_view key) const;
    [[nodiscard]] bool has_tables(std::string_view key) const;  // an array whose first element is a table
    [[nodiscard]] bool has_empty_list(std::string_view key) const;
    [[nodiscard]] std::optional<std::string> written_text(std::string_view key) const;
    [[nodiscard]] bool has_text(std::string_view key, std::string_view text) const;
    [[nodiscard]] std::vector<std::string> keys() const;  // as they stand in the file
    [[nodiscard]] bool empty() const;

    // Makes a key known without reading it.
    void know(std::string_view key);
    // The whole table, whatever is in it, is no concern of refuse_unknown_keys: a complaint was made already.
    void leave();

    [[nodiscard]] const std::string& path() const { return path_; }  // "limits", "step.6.2", "" for the root
    [[nodiscard]] Place place() const;                               // of its header or opening brace
    [[nodiscard]] Place place_of(std::string_view key) const;        // of the key's value; absent: place()
    [[nodiscard]] Place place_of_key(std::string_view key) const;    // of the key itself; absent: place()
    [[nodiscard]] Place place_of_element(std::string_view key,
                                         std::size_t index) const;  // of a list; else place_of(key)
    void error(Place place, std::string message);
    void warning(Place place, std::string message);

  private:
    friend class Document;
    Table(detail::DocumentState* state, const detail::Node* node, std::string path);
    // `example`: what may stand after "key = ", for the complaint about its absence.
    const detail::Node* ask(std::string_view key, Need need, std::string_view example);
    template <class Parse>
    auto ask_value(std::string_view key, Need need, Dimension dimension, Parse parse);
    std::string path_of(std::string_view key) const;

    detail::DocumentState* state_;
    const detail::Node* node_;
    std::string path_;
};

class Document {
  public:
    // Never fails: what is wrong stands in diagnostics(). After a syntax error the root is an empty table.
    [[nodiscard]] static Document parse(std::string file, std::string_view text);
    Document(Document&&) noexcept;
    Document& operator=(Document&&) noexcept;
    ~Document();

    [[nodiscard]] bool readable() const;  // no syntax error
    [[nodiscard]] Table root();
    // Every key that no getter has asked for is an error: "unknown key 'volage_max'; did you mean 'voltage_max'?"
    void refuse_unknown_keys();
    [[nodiscard]] Diagnostics& diagnostics();
    [[nodiscard]] Places& places();

  private:
    explicit Document(std::unique_ptr<detail::DocumentState> state);
    std::unique_ptr<detail::DocumentState> state_;
};

}  // namespace slowfilm::protocol
