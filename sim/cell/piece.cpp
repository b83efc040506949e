#include "sim/cell/piece.hpp"

namespace slowfilm::sim {

namespace {

// The sum and its derivative at one time, kept by rate so that bounds over an interval need no new exponentials.
struct Look {
    double t{0.0};
    double value{0.0};
    Coefficients basis{}, decay{};
};

class RiseSearch {
  public:
    RiseSearch(const Rates& rates, const ExponentialSum& sum, double level) : rates_(rates), sum_(sum), level_(level) {}

    // The first crossing in [a, b], or a negative number.
    [[nodiscard]] double in(const Look& a, const Look& b, int depth) const {
        double most = sum_.start;
        double slope_least = 0.0;
        double slope_most = 0.0;
        for (std::size_t k = 0; k < rates_.count; ++k) {
            const double s = sum_.slope[k];
            const bool up = s > 0.0;
            most += s * (up ? b.basis[k] : a.basis[k]);
            slope_least += s * (up ? b.decay[k] : a.decay[k]);
            slope_most += s * (up ? a.decay[k] : b.decay[k]);
        }
        if (most < level_ || slope_most <= 0.0) {
            return -1.0;
        }
        if (slope_least >= 0.0) {
            return b.value < level_ ? -1.0 : root(a, b);
        }
        if (b.t - a.t < 1e-9 || depth == 0) {
            return a.value < level_ && b.value >= level_ ? b.t : -1.0;
        }
        const Look middle = look(a.t > 0.0 ? (b.t > 4.0 * a.t ? 2.0 * a.t : 0.5 * (a.t + b.t)) : b.t / 16.0);
        const double left = in(a, middle, depth - 1);
        return left >= 0.0 ? left : in(middle, b, depth - 1);
    }

    [[nodiscard]] Look look(double t) const {
        Look look{.t = t, .value = sum_.start};
        for (std::size_t k = 0; k < rates_.count; ++k) {
            look.basis[k] = rates_.basis(k, t);
            look.decay[k] = 1.0 - rates_.rate[k] * look.basis[k];
            look.value += sum_.slope[k] * look.basis[k];
        }
        return look;
    }

  private:
    // Newton inside a bracket that shrinks; the sum rises all through it.
    [[nodiscard]] double root(const Look& a, const Look& b) const {
        if (a.value >= level_) {
            return a.t;
        }
        double low = a.t;
        double high = b.t;
        double t = low + (high - low) * ((level_ - a.value) / (b.value - a.value));
        for (int i = 0; i < 100; ++i) {
            const double value = sum_.at(rates_, t) - level_;
            (value < 0.0 ? low : high) = t;
            const double slope = sum_.derivative(rates_, t);
            double next = slope > 0.0 ? t - value / slope : low;
            if (!(next > low && next < high)) {
                next = 0.5 * (low + high);
            }
            const double moved = next > t ? next - t : t - next;
            t = next;
            if (moved <= 1e-15 * t || high - low <= 1e-15 * t) {
                break;
            }
        }
        return t;
    }

    const Rates& rates_;
    const ExponentialSum& sum_;
    double level_;
};

}  // namespace

void Rates::set(std::size_t k, double value) {
    rate[k] = value;
    inverse[k] = value > 0.0 ? 1.0 / value : 0.0;
}

double ExponentialSum::at(const Rates& rates, double t) const {
    double value = start;
    for (std::size_t k = 0; k < rates.count; ++k) {
        value += slope[k] * rates.basis(k, t);
    }
    return value;
}

double ExponentialSum::derivative(const Rates& rates, double t) const {
    double value = 0.0;
    for (std::size_t k = 0; k < rates.count; ++k) {
        value += slope[k] * (1.0 - rates.rate[k] * rates.basis(k, t));
    }
    return value;
}

double first_rise(const Rates& rates, const ExponentialSum& sum, double level, double end) {
    const RiseSearch search(rates, sum, level);
    const double found = search.in(search.look(0.0), search.look(end), 200);
    return found >= 0.0 && found < end ? found : end;
}

double first_fall(const Rates& rates, const ExponentialSum& sum, double level, double end) {
    ExponentialSum mirrored{.start = -sum.start};
    for (std::size_t k = 0; k < rates.count; ++k) {
        mirrored.slope[k] = -sum.slope[k];
    }
    return first_rise(rates, mirrored, -level, end);
}

void Quadratic::add_square(std::size_t count, double weight, double c, const Coefficients& f) {
    constant += weight * c * c;
    for (std::size_t k = 0; k < count; ++k) {
        linear[k] += 2.0 * weight * c * f[k];
        product[k][k] += weight * f[k] * f[k];
        for (std::size_t l = k + 1; l < count; ++l) {
            product[k][l] += 2.0 * weight * f[k] * f[l];
        }
    }
}

double apart(const Rates& rates, double rate) {
    const auto meets = [&](double other) {
        const double gap = rate - other;
        return gap < 3e-8 * rate && gap > -3e-8 * rate;
    };
    for (int i = 0; i < 32; ++i) {
        bool clear = true;
        for (std::size_t k = 0; k < rates.count && clear; ++k) {
            clear = !meets(rates.rate[k]);
            for (std::size_t l = k; l < rates.count && clear; ++l) {
                clear = !meets(rates.rate[k] + rates.rate[l]);
            }
        }
        if (clear) {
            break;
        }
        rate *= 1.0 + 1e-7;
    }
    return rate;
}

Quadratic Quadratic::lagged(const Rates& rates, double lag_rate, double gain) const {
    Quadratic answer;
    answer.constant = constant * gain / lag_rate;
    for (std::size_t k = 0; k < rates.count; ++k) {
        answer.linear[k] = linear[k] * gain / (lag_rate - rates.rate[k]);
        for (std::size_t l = k; l < rates.count; ++l) {
            answer.product[k][l] = product[k][l] * gain / (lag_rate - rates.rate[k] - rates.rate[l]);
        }
    }
    return answer;
}

}  // namespace slowfilm::sim
