// A table of the file read by the grammar: a key's type, sign, necessity and place in a step come from there, never
// from the caller. Asking for a key that the grammar does not have, or has as another type, is our own fault and stops
// us.
#pragma once

#include "daemon/protocol/grammar.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::protocol {

class Fields {
  public:
    // `kind`: of the step that the table is or belongs to; nothing outside steps.
    Fields(Table table, std::span<const Key> keys, std::optional<StepKind> kind = std::nullopt);

    [[nodiscard]] std::optional<std::string> text(std::string_view name);
    [[nodiscard]] std::optional<bool> truth(std::string_view name);
    [[nodiscard]] std::optional<std::uint32_t> count(std::string_view name);
    [[nodiscard]] std::optional<double> number(std::string_view name);
    [[nodiscard]] std::optional<std::size_t> word(std::string_view name);
    template <Dimension D>
    [[nodiscard]] std::optional<Quantity<D>> quantity(std::string_view name);
    [[nodiscard]] std::optional<CurrentOrRate> current_or_rate(std::string_view name);
    [[nodiscard]] std::optional<ChargeOrRatio> charge_or_ratio(std::string_view name);
    // Of a key that may say "of measured": a rate, or a current where a rate may stand.
    [[nodiscard]] std::optional<StepCurrent> step_current(std::string_view name);
    [[nodiscard]] std::optional<StepCharge> step_charge(std::string_view name);
    // The value in the unit of that dimension, of a key that takes a figure's; nothing where the figure is not known.
    [[nodiscard]] std::optional<std::int64_t> figure_value(std::string_view name, std::optional<Dimension> dimension);
    // Whether "now" stands where a value might.
    [[nodiscard]] bool now(std::string_view name);
    [[nodiscard]] std::vector<Duration> times(std::string_view name);
    [[nodiscard]] std::optional<CurrentOrRatio> current_or_ratio(std::string_view name);
    [[nodiscard]] std::optional<Fields> table(std::string_view name);
    // How a value_or_table is written, where only one of the two may stand: the other is refused here.
    enum class Form : std::uint8_t { absent, plain, table, refused };
    [[nodiscard]] Form form(std::string_view name);
    [[nodiscard]] std::vector<Fields> list(std::string_view name);
    [[nodiscard]] std::vector<Table> steps(std::string_view name, std::string path);

    [[nodiscard]] bool has(std::string_view name) const { return table_.has(name); }
    [[nodiscard]] bool holds_table(std::string_view name) const { return table_.has_table(name); }
    [[nodiscard]] bool holds_empty_list(std::string_view name) const { return table_.has_empty_list(name); }
    [[nodiscard]] bool says(std::string_view name, std::string_view text) const { return table_.has_text(name, text); }
    [[nodiscard]] std::optional<std::string> written(std::string_view name) const;  // if it is a text; no complaint
    [[nodiscard]] bool empty() const { return table_.empty(); }
    [[nodiscard]] std::vector<std::string> keys() const { return table_.keys(); }  // as they stand in the file
    [[nodiscard]] const std::string& path() const { return table_.path(); }
    [[nodiscard]] Place place() const { return table_.place(); }
    [[nodiscard]] Place place_of(std::string_view name) const { return table_.place_of(name); }
    [[nodiscard]] Place place_of_element(std::string_view name, std::size_t index) const {
        return table_.place_of_element(name, index);
    }
    [[nodiscard]] const Key& key(std::string_view name) const { return grammar_key(keys_, name); }
    // Notes the value's place without reading it.
    void pass_over(std::string_view name) { table_.know(name); }
    void error(Place place, std::string message) { table_.error(place, std::move(message)); }
    void warning(Place place, std::string message) { table_.warning(place, std::move(message)); }

    // A key that refuse_others shall not speak of: a better complaint was made.
    void settled(std::string_view name) { settled_.emplace_back(name); }
    // Refuses keys that are unknown, or that belong to another kind of step.
    void refuse_others();

  private:
    const Key* find(std::string_view name, KeyKind kind) const;
    // Nothing when the key is not allowed here: refuse_others says so.
    std::optional<Need> need(const Key& key) const;
    template <class Value>
    std::optional<Value> sane(const Key& key, std::optional<Value> value);

    Table table_;
    std::span<const Key> keys_;
    std::optional<StepKind> kind_;
    std::vector<std::string> settled_;
};

}  // namespace slowfilm::protocol
