// One implicit stage: everything linear is eliminated, which leaves the graphite's potential, the current and the film.
// The loops over modes go by pointers: an array's own check of each index costs as much as the arithmetic.
#include "sim/cell/elementary.hpp"
#include "sim/cell/particle_equations.hpp"

#include <algorithm>
#include <cmath>

namespace slowfilm::sim {

namespace {

constexpr double least_stoichiometry = 1e-5;  // exchange current at an empty or full surface is that of this one
constexpr double thinnest = 1e-9;             // m: what the slow tail adds to the film's thickness
constexpr double close = 2e-5;                // V: Newton's next step would be below its square over RT/F, 2e-8 V
constexpr double closest = 3e-7;              // V: where nothing but the algebra itself is asked for
constexpr double short_step = 1e-3;           // s: where a shorter step would cost more than a search that cannot fail
constexpr int rounds_max = 14;

double size(double x) {
    return x < 0.0 ? -x : x;
}

// sqrt(s (1 - s)) and the logarithm's derivative.
struct Filling {
    double root, slope;
    explicit Filling(double s) {
        const double inside = std::clamp(s, least_stoichiometry, 1.0 - least_stoichiometry);
        const double product = inside * (1.0 - inside);
        root = std::sqrt(product);
        slope = inside == s ? (0.5 - s) / product : 0.0;
    }
};

}  // namespace

class StageSolver {
  public:
    StageSolver(const ParticleEquations& equations, const ParticleEquations::Stage& stage, const Terminals& terminals,
                const Surroundings& around)
        : eq_(equations),
          stage_(stage),
          terminals_(terminals),
          around_(around),
          g_(stage.step),
          warm_(equations.warm(stage.temperature)) {
        wet_ = eq_.wetted(stage.time);
        if (eq_.wets()) {
            wetting_ = (1.0 - wet_) / (eq_.parameters_.wetting_time * wet_);
        }
        gather();
    }

    // The algebra alone.
    bool solve(Algebra& found) {
        phi_ = found.graphite;
        current_ = found.electrodes;
        intercalation_ = found.intercalation;
        film_ = stage_.base[unknown::film] + g_ * found.film;
        if (eq_.has_double_layer() && g_ == 0.0) {
            freeze();
        } else if (!newton() && (g_ > short_step || !bisect())) {
            return false;
        }
        inner_ = rest_ + rest_slope_ * (current_ - rest_at_) - phi_;
        terminal_ = terminals_.voltage_held ? current_ + around_.leak * inner_ : terminals_.value;
        fill(found);
        return true;
    }
    // What follows from it.
    void move(ParticleState& y, ParticleState& rate) const {
        fill_rates(rate);
        const std::size_t unknowns = eq_.unknowns();
        for (std::size_t i = 0; i < unknowns; ++i) {
            y.data()[i] = stage_.base.data()[i] + g_ * rate.data()[i];
        }
        if (!eq_.has_double_layer()) {
            y[unknown::graphite] = phi_;
        }
    }

  private:
    struct Linear {
        double at{0.0}, by{0.0};
        [[nodiscard]] double operator()(double x) const { return at + by * x; }
    };
    // Currents at the graphite besides intercalation, and their slopes by potential and film.
    struct Side {
        double film{0.0}, additive{0.0}, plating{0.0};  // film: with the additive's
        double by_potential{0.0}, by_film{0.0}, film_by_potential{0.0};
    };

    // The particle of one electrode. Its mean and surface after the step are linear in the current that enters it.
    struct Sphere {
        std::size_t mean_at{0}, modes_at{0};  // where its unknowns stand
        double diffusion{0.0}, per_ampere{0.0};
        double dry{0.0};  // the filling of what is not wetted yet
        Linear mean, surface;
        std::array<double, sphere_terms_max> damping;
    };

    void resolve(Sphere& made) const {
        const SphereModes& modes = eq_.modes_.sphere;
        made.mean.at = (stage_.base[made.mean_at] - (1.0 - wet_) * made.dry) / wet_;
        made.mean.by = g_ * made.per_ampere;
        const double* const base = stage_.base.data() + made.modes_at;
        double* const damping = made.damping.data();
        for (std::size_t k = 0; k < modes.count; ++k) {
            damping[k] = 1.0 / (1.0 + g_ * (modes.decay.data()[k] * made.diffusion + wetting_));
        }
        double at = 0.0;
        double by = 0.0;
        for (std::size_t k = 0; k < modes.count; ++k) {
            at += base[k] * damping[k];
            by += modes.gain.data()[k] * damping[k];
        }
        made.surface.at = made.mean.at + at;
        made.surface.by = made.mean.by + (by * g_ + modes.rest / made.diffusion) * made.per_ampere * (1.0 / 3.0);
    }

    void gather() {
        negative_.mean_at = unknown::negative;
        negative_.modes_at = unknown::modes;
        negative_.diffusion = warm_.diffusion.negative;
        negative_.per_ampere = 1.0 / (eq_.negative_charge_ * wet_);
        negative_.dry = pristine_stoichiometry;
        resolve(negative_);
        positive_.mean_at = unknown::positive;
        positive_.modes_at = eq_.positive_modes();
        positive_.diffusion = warm_.diffusion.positive;
        positive_.per_ampere = -1.0 / (eq_.positive_charge_ * wet_);
        positive_.dry = eq_.parameters_.positive.pristine;
        resolve(positive_);
        const double per_wet = 1.0 / wet_;
        const ElectrolyteModes& salt = eq_.modes_.salt;
        const double* const base = stage_.base.data() + eq_.salt_modes();
        salt_negative_.by = salt.negative.rest / warm_.salt * per_wet;
        salt_separator_.by = salt.separator.rest / warm_.salt * per_wet;
        salt_positive_.by = salt.positive.rest / warm_.salt * per_wet;
        const double* const negative = salt.negative.share.data();
        const double* const separator = salt.separator.share.data();
        const double* const positive = salt.positive.share.data();
        for (std::size_t m = 0; m < salt.count; ++m) {
            const double damping = 1.0 / (1.0 + g_ * salt.decay.data()[m] * warm_.salt);
            const double at = base[m] * damping;
            const double by = g_ * salt.gain.data()[m] * per_wet * damping;
            salt_negative_.at += negative[m] * at;
            salt_negative_.by += negative[m] * by;
            salt_separator_.at += separator[m] * at;
            salt_separator_.by += separator[m] * by;
            salt_positive_.at += positive[m] * at;
            salt_positive_.by += positive[m] * by;
        }
    }

    // What the terminals show besides the graphite's potential, and its slope by the current: the inner voltage is
    // rest - phi.
    void look_at_positive() {
        const ParticleParameters& p = eq_.parameters_;
        const Electrolyte::Point negative = eq_.electrolyte_.at(salt_negative_(current_));
        const Electrolyte::Point separator = eq_.electrolyte_.at(salt_separator_(current_));
        const Electrolyte::Point positive = eq_.electrolyte_.at(salt_positive_(current_));
        const double per_salt = 1.0 / p.electrolyte.concentration;
        negative_exchange_ = warm_.negative_exchange * wet_ * std::sqrt(negative.concentration * per_salt);
        const double y = positive_.surface(current_);
        const CurvePoint curve = eq_.positive_table_.at(y);
        const Filling filling(y);
        const double exchange =
            warm_.positive_exchange * wet_ * std::sqrt(positive.concentration * per_salt) * filling.root;
        positive_exchange_ = exchange;
        const double z = current_ / exchange;
        const double steep = 1.0 / std::sqrt(1.0 + z * z);
        const double ohmic = (eq_.ohmic_negative_ / eq_.electrolyte_.conductivity(negative.concentration) +
                              eq_.ohmic_separator_ / eq_.electrolyte_.conductivity(separator.concentration) +
                              eq_.ohmic_positive_ / eq_.electrolyte_.conductivity(positive.concentration)) /
                             (warm_.conductivity * wet_);
        const double surface = film_surface();
        const double film =
            p.film.grows ? p.film.resistivity * film_ / (eq_.film_charge_per_volume_ * surface * surface) : 0.0;
        salt_gain_ = 2.0 * warm_.thermal * (1.0 - p.electrolyte.transference) * per_salt;
        rest_ = curve.value + 2.0 * warm_.thermal * elementary::asinh(z) +
                salt_gain_ * (positive.concentration - negative.concentration) + current_ * (ohmic + film);
        by_positive_ = curve.slope - 2.0 * warm_.thermal * steep * z * filling.slope;
        by_salt_ = salt_gain_ * 0.5 * (positive.slope + negative.slope);
        instant_ = 2.0 * warm_.thermal * steep / exchange + ohmic + film;
        rest_slope_ = instant_ + by_positive_ * positive_.surface.by +
                      salt_gain_ * (positive.slope * salt_positive_.by - negative.slope * salt_negative_.by);
        rest_at_ = current_;
    }

    [[nodiscard]] double film_surface() const {
        const FilmParameters& film = eq_.parameters_.film;
        return film.surface_ratio * eq_.negative_surface_ * wet_ *
               (1.0 + film.surface_growth * std::max(around_.opened, negative_.mean(intercalation_)));
    }

    [[nodiscard]] Side side_currents() {
        Side side;
        if (eq_.parameters_.film.grows) {
            film_currents(side);
        }
        if (eq_.parameters_.plating.happens) {
            plating_current(side);
        }
        return side;
    }

    void film_currents(Side& side) {
        const FilmParameters& film = eq_.parameters_.film;
        const double surface = film_surface();
        const double to_thickness = 1.0 / (eq_.film_charge_per_volume_ * surface);
        const double thickness = std::max(film_, 0.0) * to_thickness;
        const double over = (phi_ - film.potential) / warm_.thermal;
        const double drive = elementary::exp(std::min(-film.transfer * over, 60.0));
        const double tunnel = elementary::exp(-thickness / film.tunnel_length);
        const double kinetic = surface * film.exchange * warm_.film * drive * tunnel;
        const double gate = 1.0 / (1.0 + elementary::exp(std::clamp(over, -60.0, 60.0)));
        const double slow =
            surface * eq_.film_charge_per_volume_ * film.diffusion * warm_.film / (thickness + thinnest) * gate;
        const double slope = film.transfer / warm_.thermal;
        side.film = kinetic + slow;
        side.by_potential = -slope * kinetic - (1.0 - gate) / warm_.thermal * slow;
        side.by_film = -(kinetic / film.tunnel_length + slow / (thickness + thinnest)) * to_thickness;
        const double left = stage_.base[unknown::additive];
        if (left > 0.0) {
            // What is left of it after the step follows at once: it is used up in proportion to itself.
            const double per_charge = film.additive_exchange * surface * warm_.additive * drive / eq_.additive_charge_;
            const double remains = 1.0 / (1.0 + g_ * per_charge);
            side.additive = per_charge * left * remains;
            side.film += side.additive;
            side.by_potential -= slope * side.additive * remains;
        }
        side.film_by_potential = side.by_potential;
    }

    void plating_current(Side& side) {
        const double exchange = eq_.parameters_.plating.exchange * eq_.negative_surface_ * wet_;
        const double half = 0.5 / warm_.thermal;
        const double left = stage_.base[unknown::plated];
        plated_rate_ = dead_rate_ = 0.0;
        if (phi_ < 0.0) {
            const double up = elementary::exp(std::min(-phi_ * half, 60.0));
            side.plating = exchange * (up - 1.0 / up);
            side.by_potential -= exchange * half * (up + 1.0 / up);
            plated_rate_ = eq_.parameters_.plating.reversible * side.plating;
            dead_rate_ = side.plating - plated_rate_;
        } else if (left > 0.0) {
            // The less there is, the less of the surface it covers: strip = k P / (P + scale), with P after the step.
            const double up = elementary::exp(std::min(phi_ * half, 60.0));
            const double k = exchange * (up - 1.0 / up);
            const double scale = eq_.plating_scale_;
            const double b = left - scale - g_ * k;
            const double root = std::sqrt(b * b + 4.0 * left * scale);
            const double after = b > 0.0 ? 0.5 * (b + root) : 2.0 * left * scale / (root - b);
            const double covered = after / (after + scale);
            side.plating = -k * covered;
            side.by_potential -= exchange * half * (up + 1.0 / up) * covered /
                                 (1.0 + g_ * k * scale / ((after + scale) * (after + scale)));
            plated_rate_ = side.plating;
        }
    }

    // The current that the terminals want, given the potential: its distance from the wish, and how both answer.
    // correction = at + by * dphi.
    [[nodiscard]] Linear current_correction() const {
        const double inner = rest_ - phi_;
        const double loading = 1.0 + around_.contact * around_.leak;
        if (terminals_.voltage_held) {
            const double off = inner * loading + around_.contact * current_ - terminals_.value;
            const double slope = loading * rest_slope_ + around_.contact;
            return {-off / slope, loading / slope};
        }
        const double off = current_ + around_.leak * inner - terminals_.value;
        const double slope = 1.0 + around_.leak * rest_slope_;
        return {-off / slope, around_.leak / slope};
    }

    // A round of Newton's method from the present potential, current and film; the residual of the graphite with it.
    struct Round {
        double residual, slope;  // V, V per V
        Linear current, film;    // corrections
        double surface_slope;    // of the residual by the current that intercalates
        // What more enters the graphite per volt, with `layer` the double layer's share of it.
        [[nodiscard]] double entering(const Side& side, double layer) const {
            return current.by - side.by_potential - side.by_film * film.by + layer;
        }
    };
    [[nodiscard]] Round look() {
        if (size(current_ - rest_at_) > 1e-7 * eq_.parameters_.capacity) {
            look_at_positive();
        } else {
            rest_ += rest_slope_ * (current_ - rest_at_);
            rest_at_ = current_;
        }
        side_ = side_currents();
        Round round;
        round.current = current_correction();
        const double film_slope = 1.0 - g_ * side_.by_film;
        round.film = {(stage_.base[unknown::film] + g_ * side_.film - film_) / film_slope,
                      g_ * side_.film_by_potential / film_slope};
        layer_ =
            eq_.has_double_layer() ? -eq_.parameters_.double_layer * (phi_ - stage_.base[unknown::graphite]) / g_ : 0.0;
        intercalation_ = current_ - side_.film - side_.plating - layer_;
        const double x = negative_.surface(intercalation_);
        curve_ = eq_.negative_table_.at(x);
        const Filling filling(x);
        exchange_ = negative_exchange_ * filling.root;
        const double z = intercalation_ / exchange_;
        const double steep = 2.0 * warm_.thermal / std::sqrt(1.0 + z * z);
        kinetic_slope_ = steep / exchange_;
        by_surface_ = curve_.slope + steep * z * filling.slope;
        round.surface_slope = kinetic_slope_ - by_surface_ * negative_.surface.by;
        round.residual = phi_ - curve_.value + 2.0 * warm_.thermal * elementary::asinh(z);
        const double layer_slope = eq_.has_double_layer() ? eq_.parameters_.double_layer / g_ : 0.0;
        round.slope = 1.0 + round.surface_slope * round.entering(side_, layer_slope);
        return round;
    }

    bool newton() {
        rest_at_ = current_;
        look_at_positive();
        for (int i = 0; i < rounds_max; ++i) {
            const Round round = look();
            const double base =
                round.residual + round.surface_slope * (round.current.at - side_.by_film * round.film.at);
            const double step = std::clamp(along_layer(round, -base / round.slope, base), -0.5, 0.5);
            const double current_step = along_kinetics(round.current(step));
            const double film_step = round.film(step);
            if (!(size(step) < 1e9 && size(current_step) < 1e12)) {
                return false;
            }
            take(step, current_step, film_step);
            const double film_scale = eq_.parameters_.film.tunnel_length * eq_.film_charge_per_volume_ * film_surface();
            if (size(step) < (g_ > 0.0 ? close : closest) && size(current_step) < 1e-6 * eq_.parameters_.capacity &&
                size(film_step) <= 1e-5 * film_scale) {
                return true;
            }
        }
        return false;
    }

    // Far out on the positive's curve of current over potential a tangent leads to the other end of it and further at
    // each round; the potential itself, as which it is a straight line there, does not.
    [[nodiscard]] double along_kinetics(double step) const {
        const double z = current_ / positive_exchange_;
        const double by_potential = step / positive_exchange_ / std::sqrt(1.0 + z * z);
        if (size(by_potential) <= 1.0) {
            return step;
        }
        const double to = elementary::asinh(z) + std::clamp(by_potential, -8.0, 8.0);
        return positive_exchange_ * elementary::sinh(std::clamp(to, -40.0, 40.0)) - current_;
    }

    // The same at the graphite where a double layer lets the potential move without it: what enters follows the
    // potential along a line then, and the kinetics a logarithm. The residual rises by more than the potential, so the
    // answer lies no further than the residual itself.
    [[nodiscard]] double along_layer(const Round& round, double step, double base) const {
        if (!eq_.has_double_layer()) {
            return step;
        }
        const double z = intercalation_ / exchange_;
        const double by = round.entering(side_, eq_.parameters_.double_layer / g_) * step / exchange_;
        const double by_potential = by / std::sqrt(1.0 + z * z);
        if (size(by_potential) <= 1.0) {
            return step;
        }
        const double to = elementary::asinh(z) + std::clamp(by_potential, -8.0, 8.0);
        const double bent = step * (elementary::sinh(std::clamp(to, -40.0, 40.0)) - z) / by;
        return std::clamp(bent, -size(base), size(base));
    }

    // To first order in the steps, so that the currents still add up to the last bit.
    void take(double step, double current_step, double film_step) {
        phi_ += step;
        current_ += current_step;
        film_ += film_step;
        side_.film += side_.film_by_potential * step + side_.by_film * film_step;
        side_.plating += (side_.by_potential - side_.film_by_potential) * step;
        if (dead_rate_ != 0.0) {
            plated_rate_ = eq_.parameters_.plating.reversible * side_.plating;
            dead_rate_ = side_.plating - plated_rate_;
        } else {
            plated_rate_ = side_.plating;
        }
        if (eq_.has_double_layer()) {
            layer_ -= eq_.parameters_.double_layer / g_ * step;
        }
        intercalation_ = current_ - side_.film - side_.plating - layer_;
    }

    // Slow and sure: the residual rises with the potential all the way, whatever current and film follow it.
    bool bisect() {
        double low = -5.0;
        double high = 10.0;
        for (int i = 0; i < 50; ++i) {
            phi_ = 0.5 * (low + high);
            bool settled = false;
            double residual = 0.0;
            for (int inner = 0; inner < 12 && !settled; ++inner) {
                const Round round = look();
                residual = round.residual;
                settled = size(round.current.at) < 1e-10 * eq_.parameters_.capacity &&
                          size(round.film.at) <= 1e-12 * eq_.film_charge_per_volume_ * eq_.negative_surface_ * 1e-9;
                current_ += along_kinetics(round.current.at);
                film_ += round.film.at;
            }
            if (!(residual < 0.0 || residual >= 0.0)) {
                return false;
            }
            (residual < 0.0 ? low : high) = phi_;
        }
        const Round round = look();
        take(0.0, round.current.at, round.film.at);
        return true;
    }

    // With a double layer the potential is given at once, and the current into the graphite follows from it.
    void freeze() {
        phi_ = stage_.base[unknown::graphite];
        film_ = stage_.base[unknown::film];
        look_at_positive();
        for (int i = 0; i < 40; ++i) {
            const double step = along_kinetics(current_correction().at);
            current_ += step;
            look_at_positive();
            if (size(step) < 1e-12 * eq_.parameters_.capacity) {
                break;
            }
        }
        enter_at_once();
        const double z = intercalation_ / exchange_;
        kinetic_slope_ = 2.0 * warm_.thermal / std::sqrt(1.0 + z * z) / exchange_;
        by_surface_ = 0.0;
        side_ = side_currents();
        layer_ = current_ - intercalation_ - side_.film - side_.plating;
    }

    // What flows into the graphite at its potential. The surface answers to it at once where modes are left out.
    void enter_at_once() {
        const double twice = 2.0 * warm_.thermal;
        double to = 0.0;  // the reaction's overpotential, of `twice`
        for (int i = 0; i < 40; ++i) {
            const double x = negative_.surface(intercalation_ = exchange_ * elementary::sinh(to));
            curve_ = eq_.negative_table_.at(x);
            exchange_ = negative_exchange_ * Filling(x).root;
            const double cosine = std::sqrt(1.0 + elementary::sinh(to) * elementary::sinh(to));
            const double slope = twice - curve_.slope * negative_.surface.by * exchange_ * cosine;
            const double step = (curve_.value - phi_ - twice * to) / slope;
            to = std::clamp(to + step, -60.0, 60.0);
            if (size(step) < 1e-12) {
                break;
            }
        }
    }

    void sphere_rates(const Sphere& sphere, double current, ParticleState& rate) const {
        const double inflow = sphere.per_ampere * current;
        rate[sphere.mean_at] = inflow * wet_;
        const SphereModes& modes = eq_.modes_.sphere;
        const double* const base = stage_.base.data() + sphere.modes_at;
        double* const mode_rate = rate.data() + sphere.modes_at;
        for (std::size_t k = 0; k < modes.count; ++k) {
            const double fall = modes.decay.data()[k] * sphere.diffusion + wetting_;
            mode_rate[k] = (modes.gain.data()[k] * (1.0 / 3.0) * inflow - fall * base[k]) * sphere.damping.data()[k];
        }
    }

    void fill_rates(ParticleState& rate) const {
        sphere_rates(negative_, intercalation_, rate);
        sphere_rates(positive_, current_, rate);
        const ElectrolyteModes& salt = eq_.modes_.salt;
        const double* const base = stage_.base.data() + eq_.salt_modes();
        double* const salt_rate = rate.data() + eq_.salt_modes();
        for (std::size_t m = 0; m < salt.count; ++m) {
            const double fall = salt.decay.data()[m] * warm_.salt;
            salt_rate[m] = (salt.gain.data()[m] / wet_ * current_ - fall * base[m]) / (1.0 + g_ * fall);
        }
        rate[unknown::film] = side_.film;
        rate[unknown::additive] = -side_.additive;
        rate[unknown::plated] = plated_rate_;
        rate[unknown::dead] = dead_rate_;
        rate[unknown::graphite] = eq_.has_double_layer() ? -layer_ / eq_.parameters_.double_layer : 0.0;
        rate[unknown::input] = terminal_;
        rate[unknown::leaked] = terminal_ - current_;
        const ParticleParameters& p = eq_.parameters_;
        const double power = terminal_ * (inner_ + around_.contact * terminal_) + around_.heat -
                             current_ * eq_.positive_table_.at(positive_.mean(current_)).value +
                             intercalation_ * eq_.negative_table_.at(negative_.mean(intercalation_)).value +
                             side_.film * p.film.heat_potential;
        rate[unknown::temperature] = (power - p.cooling * (stage_.base[unknown::temperature] - around_.ambient)) /
                                     (p.heat_capacity + g_ * p.cooling);
    }

    void fill(Algebra& found) const {
        found.graphite = phi_;
        found.electrodes = current_;
        found.intercalation = intercalation_;
        found.film = side_.film;
        found.current = terminal_;
        found.voltage = inner_ + around_.contact * terminal_;
        // As the potential answers at once, with nothing moved yet.
        const double answer = eq_.has_double_layer() ? 0.0 : 1.0 / (1.0 - kinetic_slope_ * side_.by_potential);
        found.resistance = instant_ + kinetic_slope_ * answer + around_.contact;
        found.by_negative = -by_surface_ * answer;
        found.by_positive = by_positive_;
        found.by_film = kinetic_slope_ * -side_.by_film * answer;
        found.by_salt = by_salt_;
    }

    const ParticleEquations& eq_;
    const ParticleEquations::Stage& stage_;
    const Terminals& terminals_;
    const Surroundings& around_;
    double g_;
    ParticleEquations::Warm warm_;
    double wet_{1.0}, wetting_{0.0};
    Sphere negative_, positive_;
    Linear salt_negative_, salt_separator_, salt_positive_;

    double phi_{0.0}, current_{0.0}, intercalation_{0.0}, film_{0.0}, layer_{0.0};
    double rest_{0.0}, rest_slope_{0.0}, rest_at_{0.0}, instant_{0.0};
    double negative_exchange_{0.0}, positive_exchange_{1.0}, exchange_{1.0}, salt_gain_{0.0};
    double by_positive_{0.0}, by_salt_{0.0}, by_surface_{0.0}, kinetic_slope_{0.0};
    double plated_rate_{0.0}, dead_rate_{0.0};
    double inner_{0.0}, terminal_{0.0};
    Side side_;
    CurvePoint curve_{};
};

bool ParticleEquations::solve(const Stage& stage, const Terminals& terminals, const Surroundings& around,
                              Algebra& guess, ParticleState& y, ParticleState& rate) const {
    StageSolver solver(*this, stage, terminals, around);
    if (!solver.solve(guess)) {
        return false;
    }
    solver.move(y, rate);
    return true;
}

bool ParticleEquations::solve(const Stage& stage, const Terminals& terminals, const Surroundings& around,
                              Algebra& guess) const {
    StageSolver solver(*this, stage, terminals, around);
    return solver.solve(guess);
}

}  // namespace slowfilm::sim
