// Records in the order they were put, each kind in memory of its own size: a run's header is three times a sample, and
// a queue that must hold ten minutes of sixty-four channels cannot give each sample a header's room.
#pragma once

#include "daemon/ledger/records.hpp"

#include <array>
#include <cstddef>
#include <cstdint>
#include <iterator>
#include <string>
#include <tuple>
#include <utility>
#include <variant>
#include <vector>

namespace slowfilm::ledger {

// What a record takes of the queue, its text included.
[[nodiscard]] std::size_t bytes_of(const Record& record);

// "sample 17 of run 3", for a sentence.
[[nodiscard]] std::string name_of(const Record& record);

class Batch {
  public:
    void add(Record record) {
        order_.push_back(static_cast<std::uint8_t>(record.index()));
        bytes_ += bytes_of(record);
        std::visit([this]<class T>(T& value) { std::get<std::vector<T>>(rows_).push_back(std::move(value)); }, record);
    }
    [[nodiscard]] bool empty() const { return order_.empty(); }
    [[nodiscard]] std::size_t bytes() const { return bytes_; }
    // In order, until the visitor returns false.
    template <class Visit>
    void each(Visit visit) const {
        std::array<std::size_t, std::variant_size_v<Record>> next{};
        for (const std::uint8_t kind : order_) {
            if (!visit_one(kind, next[kind]++, visit, std::make_index_sequence<std::variant_size_v<Record>>{}))
                return;
        }
    }
    // Moves the other's records behind these.
    void append(Batch&& other) {
        if (empty()) {
            std::swap(*this, other);
            return;
        }
        order_.insert(order_.end(), other.order_.begin(), other.order_.end());
        bytes_ += other.bytes_;
        append_rows(other, std::make_index_sequence<std::variant_size_v<Record>>{});
        other.clear();
    }
    void clear() {
        order_.clear();
        bytes_ = 0;
        std::apply([](auto&... rows) { (rows.clear(), ...); }, rows_);
    }

  private:
    template <std::size_t... Kind>
    void append_rows(Batch& other, std::index_sequence<Kind...>) {
        const auto move_all = [](auto& to, auto& from) {
            to.insert(to.end(), std::make_move_iterator(from.begin()), std::make_move_iterator(from.end()));
        };
        (move_all(std::get<Kind>(rows_), std::get<Kind>(other.rows_)), ...);
    }
    template <class Visit, std::size_t... Kind>
    bool visit_one(std::uint8_t kind, std::size_t place, Visit& visit, std::index_sequence<Kind...>) const {
        bool go_on = true;
        static_cast<void>(((kind == Kind ? (go_on = visit(std::get<Kind>(rows_)[place]), true) : false) || ...));
        return go_on;
    }
    template <class>
    struct RowsOf;
    template <class... T>
    struct RowsOf<std::variant<T...>> {
        using Type = std::tuple<std::vector<T>...>;
    };
    std::vector<std::uint8_t> order_;
    RowsOf<Record>::Type rows_;
    std::size_t bytes_{0};
};

}  // namespace slowfilm::ledger
