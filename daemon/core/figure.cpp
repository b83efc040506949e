#include "daemon/core/figure.hpp"

namespace slowfilm {
namespace {

__extension__ using Wide = __int128;

constexpr std::array<Dimension, figure_count> dimensions{
    Dimension::ratio,  Dimension::ratio,      Dimension::ratio,        Dimension::charge,
    Dimension::charge, Dimension::resistance, Dimension::voltage_slope};

constexpr Wide us_per_day = 86'400'000'000;

// Rounded half away from zero; what does not fit is no figure.
std::optional<std::int64_t> divided(Wide over, Wide under) {
    if (under < 0) {
        over = -over;
        under = -under;
    }
    const Wide half = under / 2;
    const Wide quotient = (over >= 0 ? over + half : over - half) / under;
    const auto narrow = static_cast<std::int64_t>(quotient);
    return static_cast<Wide>(narrow) == quotient ? std::optional{narrow} : std::nullopt;
}

}  // namespace

std::string_view name(FigureId figure) {
    return figure_names[static_cast<std::size_t>(figure)];
}

std::optional<FigureId> figure_named(std::string_view name) {
    for (std::size_t i = 0; i < figure_names.size(); ++i) {
        if (figure_names[i] == name) {
            return static_cast<FigureId>(i);
        }
    }
    return std::nullopt;
}

Dimension dimension_of(FigureId figure) {
    return dimensions[static_cast<std::size_t>(figure)];
}

std::optional<Ratio> ratio_of(Charge part, Charge whole) {
    if (whole.count <= 0) {
        return std::nullopt;
    }
    constexpr Wide ppm = 1'000'000;
    const auto value = divided(part.count * ppm, whole.count);
    return value ? std::optional{Ratio{*value}} : std::nullopt;
}

std::optional<Resistance> resistance_of(Voltage first_voltage, Current first_current, Voltage second_voltage,
                                        Current second_current) {
    const Wide change = static_cast<Wide>(second_current.count) - first_current.count;
    if (change == 0) {
        return std::nullopt;
    }
    constexpr Wide nano_ohm = 1'000'000'000;
    const auto value = divided((static_cast<Wide>(second_voltage.count) - first_voltage.count) * nano_ohm, change);
    return value ? std::optional{Resistance{*value}} : std::nullopt;
}

std::optional<VoltageSlope> decay_of(Voltage first, Voltage second, Duration span) {
    if (span.count <= 0) {
        return std::nullopt;
    }
    const auto value = divided((static_cast<Wide>(first.count) - second.count) * us_per_day, span.count);
    return value ? std::optional{VoltageSlope{*value}} : std::nullopt;
}

Voltage moved_by(VoltageSlope rate, Duration span) {
    return Voltage{static_cast<std::int64_t>(static_cast<Wide>(rate.count) * span.count / us_per_day)};
}

}  // namespace slowfilm
