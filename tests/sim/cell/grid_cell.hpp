// The equations of the electrochemical cell stated once more: spheres by their own series, salt on a grid,
// with the C library's functions
// and the curves' own formulas, and given to CVODE: what the cell model is compared with. No plating, no double layer.
#pragma once

#include "sim/cell/particle_parameters.hpp"
#include "tests/cvode.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <memory>
#include <stdexcept>
#include <vector>

namespace slowfilm::test {

struct GridOptions {
    std::size_t terms{40};  // of each sphere's series
    std::size_t cells{60};  // of the electrolyte: 2/5, 1/5, 2/5
    double tolerance{1e-8};
    // As the model has it: diffusion linear in u, the integral of D/D0, and a region's concentration that of its mean
    // u. False: diffusion with D(c) in every cell.
    bool kirchhoff{true};
};

class GridCell {
  public:
    // A regulator: `target` held with a current between low and high, else the nearer of the two.
    struct Drive {
        double target{0.0}, low{0.0}, high{0.0};
    };
    struct Shown {
        double voltage, current, temperature, graphite;
        bool regulating;
    };

    GridCell(const sim::ParticleParameters& parameters, GridOptions options = {})
        : p_(parameters), negative_(options, p_.negative), positive_(options, p_.positive), salt_(options, p_) {
        places_ = options.terms + 1;
        film_ = 2 * places_ + salt_.count;
        count_ = film_ + 4;
        std::vector<double> absolute(count_, options.tolerance);
        for (std::size_t i = 0; i < salt_.count; ++i) {
            absolute[2 * places_ + i] = options.tolerance * 1e2;
        }
        kirchhoff_ = options.kirchhoff;
        rest_tolerance(absolute, options.tolerance);
        cvode_ = std::make_unique<Cvode>(
            count_, [this](double, const double* y, double* rate) { rates(y, rate); },
            [this](double, const double* y) { return root(y); }, options.tolerance, absolute);
        pristine();
    }

    // Goes to t, calling `tick` at every `every` seconds on the way.
    void run(double until, const Drive& drive, double every, const std::function<void(double, const Shown&)>& tick) {
        drive_ = drive;
        choose();
        cvode_->restart(time_, 1e-6);
        double next = (std::floor(time_ / every + 1e-9) + 1.0) * every;
        while (time_ < until - 1e-9) {
            const bool event = cvode_->step(until);
            const double end = cvode_->time();
            for (; next <= end + 1e-9; next += every) {
                tick(next, shown(cvode_->at(std::min(next, end))));
            }
            opened_ = std::max(opened_, negative_.mean(cvode_->y()));
            time_ = end;
            if (event) {
                events_.push_back(time_);
                regime_ = regime_ != 0 ? 0 : (last_.current > 0.5 * (drive_.low + drive_.high) ? 1 : -1);
                cvode_->restart(time_, 1e-6);
            }
        }
    }
    [[nodiscard]] const std::vector<double>& events() const { return events_; }
    [[nodiscard]] double film_charge() const { return cvode_->y()[film_] / 3600.0; }
    [[nodiscard]] double charge() const { return cvode_->y()[film_ + 3] / 3600.0; }
    [[nodiscard]] long steps() const { return cvode_->steps(); }
    void ambient(double celsius) { ambient_ = celsius + 273.15; }
    [[nodiscard]] double* state() { return cvode_->y(); }
    [[nodiscard]] std::size_t temperature_place() const { return film_ + 2; }

  private:
    static constexpr double F = 96485.33212;
    static constexpr double R = 8.314462618;

    // The sphere's own series: mean, and one term for each root of tan l = l (J. Crank, The Mathematics of Diffusion,
    // 2nd ed. 1975, 6.3.1); what the terms left out come to follows the flux at once. g is the gradient at the surface,
    // per radius.
    struct Sphere {
        std::vector<double> square;  // l^2
        std::size_t count;
        double radius, rest{0.2};
        Sphere(const GridOptions& options, const sim::ElectrodeParameters& e)
            : count(options.terms + 1), radius(e.radius) {
            for (std::size_t k = 1; k < count; ++k) {
                const double pi = std::acos(-1.0);
                double low = static_cast<double>(k) * pi;
                double high = low + 0.5 * pi;
                const double sign = k % 2 == 1 ? -1.0 : 1.0;  // of the cosine there
                for (int i = 0; i < 60; ++i) {
                    const double l = 0.5 * (low + high);
                    (sign * (std::sin(l) - l * std::cos(l)) < 0.0 ? low : high) = l;
                }
                square.push_back(low * low);
                rest -= 2.0 / square.back();
            }
        }
        [[nodiscard]] static double mean(const double* s) { return s[0]; }
        [[nodiscard]] double surface(const double* s, double g) const {
            double sum = rest * g;
            for (std::size_t k = 0; k < count; ++k) {
                sum += s[k];
            }
            return sum;
        }
        void rates(const double* s, double d, double g, double* rate) const {
            rate[0] = 3.0 * d * g;
            for (std::size_t k = 1; k < count; ++k) {
                rate[k] = d * (2.0 * g - square[k - 1] * s[k]);
            }
        }
    };

    struct Salt {
        std::size_t count, ends;
        std::vector<double> width, porosity, transport, source;
        double per_area;
        Salt(const GridOptions& options, const sim::ParticleParameters& p)
            : count(options.cells), ends(2 * options.cells / 5) {
            const std::size_t between = count - 2 * ends;
            const auto add = [&](std::size_t n, double thickness, double eps, double b, double s) {
                for (std::size_t i = 0; i < n; ++i) {
                    width.push_back(thickness / static_cast<double>(n));
                    porosity.push_back(eps);
                    transport.push_back(b);
                    source.push_back(s / thickness);
                }
            };
            add(ends, p.negative.thickness, p.negative.porosity, p.negative.transport, -1.0);
            add(between, p.electrolyte.separator_thickness, p.electrolyte.separator_porosity,
                p.electrolyte.separator_transport, 0.0);
            add(ends, p.positive.thickness, p.positive.porosity, p.positive.transport, 1.0);
            per_area = (1.0 - p.electrolyte.transference) / (F * p.area);
        }
        [[nodiscard]] double mean(const double* c, std::size_t from, std::size_t to) const {
            double sum = 0.0;
            for (std::size_t i = from; i < to; ++i) {
                sum += c[i];
            }
            return sum / static_cast<double>(to - from);
        }
    };

    void rest_tolerance(std::vector<double>& absolute, double tolerance) const {
        absolute[film_] = tolerance * 1e3;
        absolute[film_ + 1] = tolerance * 1e2;
        absolute[film_ + 2] = tolerance * 1e2;
        absolute[film_ + 3] = tolerance * 1e3;
    }

    void pristine() {
        double* y = cvode_->y();
        std::fill(y, y + 2 * places_, 0.0);
        y[0] = 1e-6;
        y[places_] = p_.positive.pristine;
        std::fill(y + 2 * places_, y + film_, kirchhoff_ ? 0.0 : p_.electrolyte.concentration);
        y[film_] = 0.0;
        y[film_ + 1] = p_.film.grows ? p_.film.additive * F : 0.0;
        y[film_ + 2] = ambient_ = p_.ambient + 273.15;
        y[film_ + 3] = 0.0;
        opened_ = 1e-6;
        rise_ = p_.film.pristine_potential - formula(p_.negative.curve, 1e-6);
    }

    static double formula(const sim::CurveFormula& curve, double s) {
        double sum = curve.constant + curve.slope * s;
        for (const sim::CurveTerm& term : curve.terms) {
            const double z = term.rate * (s - term.centre);
            sum += term.amplitude * (term.kind == sim::TermKind::exponential ? std::exp(z) : std::tanh(z));
        }
        return sum;
    }
    [[nodiscard]] double graphite_potential(double x) const {
        const double inside = std::clamp(x, 0.0, 1.0);
        const double straight = -rise_ / p_.film.pristine_decay * std::min(x, 0.0);
        return formula(p_.negative.curve, inside) + rise_ * std::exp(-(inside - 1e-6) / p_.film.pristine_decay) +
               straight;
    }
    [[nodiscard]] double positive_potential(double y) const {
        return formula(p_.positive.curve, std::clamp(y, p_.positive.curve.lowest, 1.0)) -
               100.0 * std::max(y - 1.0, 0.0);
    }
    static double arrhenius(double activation, double t) {
        return std::exp(-activation / R * (1.0 / t - 1.0 / 298.15));
    }
    static double root_filling(double s) {
        const double inside = std::clamp(s, 1e-5, 1.0 - 1e-5);
        return std::sqrt(inside * (1.0 - inside));
    }

    [[nodiscard]] double diffusion(double c) const {
        const double m = c / 1000.0;
        return p_.electrolyte.diffusivity_2 * m * m + p_.electrolyte.diffusivity_1 * m + p_.electrolyte.diffusivity_0;
    }
    [[nodiscard]] double concentration(double mean) const {
        if (!kirchhoff_) {
            return mean;
        }
        const double c0 = p_.electrolyte.concentration;
        const auto primitive = [&](double c) {
            const double m = c / 1000.0;
            return 1000.0 * (p_.electrolyte.diffusivity_2 * m * m * m / 3.0 +
                             p_.electrolyte.diffusivity_1 * m * m / 2.0 + p_.electrolyte.diffusivity_0 * m);
        };
        double c = c0 + mean;
        for (int i = 0; i < 30; ++i) {
            const double step = ((mean * diffusion(c0)) - (primitive(c) - primitive(c0))) / diffusion(c);
            c += step;
            if (std::abs(step) < 1e-10) {
                break;
            }
        }
        return c;
    }

    // All that follows from the state at a current through the electrodes.
    struct Now {
        double rest{0.0}, phi{0.0}, inside{0.0}, film{0.0}, additive{0.0};
    };
    [[nodiscard]] double film_surface(const double* y) const {
        return p_.film.surface_ratio * p_.negative.surface * p_.negative.thickness * p_.area *
               (1.0 + p_.film.surface_growth * std::max(opened_, negative_.mean(y)));
    }
    void film_currents(const double* y, double phi, Now& now) const {
        now.film = now.additive = 0.0;
        if (!p_.film.grows) {
            return;
        }
        const sim::FilmParameters& f = p_.film;
        const double t = y[film_ + 2];
        const double theta = R * t / F;
        const double e = arrhenius(f.activation, t);
        const double area = film_surface(y);
        const double thickness = y[film_] * f.molar_volume / (F * area);
        const double kinetic = area * f.exchange * e *
                               std::exp(std::min(-f.transfer * (phi - f.potential) / theta, 60.0)) *
                               std::exp(-thickness / f.tunnel_length);
        const double slow = area * F / f.molar_volume * f.diffusion * e / (thickness + 1e-9) /
                            (1.0 + std::exp((phi - f.potential) / theta));
        const double left = std::max(y[film_ + 1], 0.0) / (f.additive * F);
        now.additive = f.additive_exchange * area * e * left *
                       std::exp(std::min(-f.transfer * (phi - f.additive_potential) / theta, 60.0));
        now.film = kinetic + slow + now.additive;
    }
    [[nodiscard]] Now look(const double* y, double current) const {
        Now now;
        const double t = y[film_ + 2];
        const double theta = R * t / F;
        const double* c = y + 2 * places_;
        const double c0 = p_.electrolyte.concentration;
        const double cn = concentration(salt_.mean(c, 0, salt_.ends));
        const double cs = concentration(salt_.mean(c, salt_.ends, salt_.count - salt_.ends));
        const double cp = concentration(salt_.mean(c, salt_.count - salt_.ends, salt_.count));
        const auto kappa = [&](double value) {
            const double m = value / 1000.0;
            return p_.electrolyte.conductivity_3 * m * m * m + p_.electrolyte.conductivity_15 * std::pow(m, 1.5) +
                   p_.electrolyte.conductivity_1 * m;
        };
        const sim::ElectrodeParameters& n = p_.negative;
        const sim::ElectrodeParameters& q = p_.positive;
        const double an = n.surface * n.thickness * p_.area;
        const double ap = q.surface * q.thickness * p_.area;
        const double ys = positive_.surface(y + places_, gradient(q, ap, -current, t));
        const double ip = F * q.rate * arrhenius(q.rate_activation, t) * std::sqrt(cp / c0) * root_filling(ys);
        const double ohmic = (n.thickness / (3.0 * kappa(cn) * n.transport) +
                              p_.electrolyte.separator_thickness / (kappa(cs) * p_.electrolyte.separator_transport) +
                              q.thickness / (3.0 * kappa(cp) * q.transport)) /
                             p_.area / arrhenius(p_.electrolyte.activation, t);
        const double area = film_surface(y);
        const double film =
            p_.film.grows ? p_.film.resistivity * y[film_] * p_.film.molar_volume / (F * area * area) : 0.0;
        now.rest = positive_potential(ys) + 2.0 * theta * std::asinh(current / (2.0 * ap * ip)) +
                   2.0 * theta * (1.0 - p_.electrolyte.transference) * (cp - cn) / c0 + current * (ohmic + film);
        const double in = F * n.rate * arrhenius(n.rate_activation, t) * std::sqrt(cn / c0);
        const auto residual = [&](double phi) {
            film_currents(y, phi, now);
            now.inside = current - now.film;
            const double xs = negative_.surface(y, gradient(n, an, now.inside, t));
            return phi - graphite_potential(xs) +
                   2.0 * theta * std::asinh(now.inside / (2.0 * an * in * root_filling(xs)));
        };
        now.phi = guess_ = solve(residual, guess_);
        (void)residual(now.phi);
        return now;
    }
    // Regula falsi after Illinois, in a bracket around the last answer that grows until it holds the root.
    // What Newton's method tries on its way need not be a cell: CVODE then takes a shorter step.
    static void possible(double value, double at) {
        if (!std::isfinite(value) || std::abs(at) > 1e6) {
            throw std::domain_error("no such cell");
        }
    }
    template <class F_>
    [[nodiscard]] static double solve(const F_& f, double guess) {
        double d = 1e-3;
        double a = guess - d;
        double b = guess + d;
        double fa = f(a);
        double fb = f(b);
        while (!(fa <= 0.0)) {
            possible(fa, a);
            b = a;
            fb = fa;
            d *= 3.0;
            a -= d;
            fa = f(a);
        }
        while (!(fb >= 0.0)) {
            possible(fb, b);
            a = b;
            fa = fb;
            d *= 3.0;
            b += d;
            fb = f(b);
        }
        double m = a;
        for (int i = 0; i < 200 && b - a > 2e-15; ++i) {
            m = i % 4 == 3 ? 0.5 * (a + b) : (a * fb - b * fa) / (fb - fa);
            const double fm = f(m);
            if (std::abs(fm) < 1e-15) {
                break;
            }
            if (fm < 0.0) {
                a = m;
                fa = fm;
                fb *= 0.5;
            } else {
                b = m;
                fb = fm;
                fa *= 0.5;
            }
        }
        return m;
    }
    [[nodiscard]] double gradient(const sim::ElectrodeParameters& e, double area, double current, double t) const {
        const double d = e.diffusivity * arrhenius(e.diffusivity_activation, t);
        return current / (F * area) * e.radius / (d * e.concentration);
    }

    [[nodiscard]] double leak() const { return p_.leakage_resistance < 1e9 ? 1.0 / p_.leakage_resistance : 0.0; }
    // The current through the electrodes at which the terminals carry `current`.
    [[nodiscard]] double behind(const double* y, double current) const {
        double electrodes = current;
        for (int i = 0; i < 20; ++i) {
            const Now now = look(y, electrodes);
            const double next = current - leak() * (now.rest - now.phi);
            const double off = next - electrodes;
            electrodes = next;
            if (std::abs(off) < 1e-14) {
                break;
            }
        }
        return electrodes;
    }
    [[nodiscard]] double voltage(const double* y, double electrodes, double* current) const {
        const Now now = look(y, electrodes);
        const double inner = now.rest - now.phi;
        *current = electrodes + leak() * inner;
        return inner + *current * p_.contact_resistance;
    }
    [[nodiscard]] double electrodes_of(const double* y) const {
        if (regime_ != 0) {
            return behind(y, regime_ > 0 ? drive_.high : drive_.low);
        }
        double current = 0.0;
        const auto off = [&](double electrodes) { return voltage(y, electrodes, &current) - drive_.target; };
        double a = hold_guess_;
        double va = off(a);
        double b = a - std::clamp(va / 0.02, -0.5, 0.5);
        for (int i = 0; i < 25; ++i) {
            const double vb = off(b);
            if (std::abs(vb) < 1e-13 || vb == va) {
                return hold_guess_ = b;
            }
            const double next = b - vb * (b - a) / (vb - va);
            a = b;
            va = vb;
            b = next;
        }
        return hold_guess_ = solve(off, 0.5 * (drive_.low + drive_.high));
    }
    [[nodiscard]] Shown shown(const double* y) {
        Shown s{};
        const double electrodes = electrodes_of(y);
        s.voltage = voltage(y, electrodes, &s.current);
        s.graphite = look(y, electrodes).phi;
        s.temperature = y[film_ + 2] - 273.15;
        s.regulating = regime_ == 0;
        return s;
    }
    void choose() {
        const double* y = cvode_->y();
        regime_ = 1;
        if (drive_.low == drive_.high) {
            return;
        }
        double current = 0.0;
        if (voltage(y, behind(y, drive_.high), &current) < drive_.target - 1e-7) {
            return;
        }
        regime_ = voltage(y, behind(y, drive_.low), &current) > drive_.target + 1e-7 ? -1 : 0;
    }
    double root(const double* y) {
        if (drive_.low == drive_.high) {
            return 1.0;
        }
        last_ = shown(y);
        if (regime_ != 0) {
            return last_.voltage - drive_.target;
        }
        return std::min(drive_.high - last_.current, last_.current - drive_.low) + 1e-5;
    }

    void rates(const double* y, double* rate) {
        const double t = y[film_ + 2];
        const double electrodes = electrodes_of(y);
        const Now now = look(y, electrodes);
        const sim::ElectrodeParameters& n = p_.negative;
        const sim::ElectrodeParameters& q = p_.positive;
        const double an = n.surface * n.thickness * p_.area;
        const double ap = q.surface * q.thickness * p_.area;
        const double dn = n.diffusivity * arrhenius(n.diffusivity_activation, t) / (n.radius * n.radius);
        const double dp = q.diffusivity * arrhenius(q.diffusivity_activation, t) / (q.radius * q.radius);
        negative_.rates(y, dn, gradient(n, an, now.inside, t), rate);
        positive_.rates(y + places_, dp, gradient(q, ap, -electrodes, t), rate + places_);
        const double* c = y + 2 * places_;
        double* dc = rate + 2 * places_;
        const auto diffusivity = [&](std::size_t i) {
            return diffusion(kirchhoff_ ? p_.electrolyte.concentration : c[i]) *
                   arrhenius(p_.electrolyte.activation, t) * salt_.transport[i];
        };
        double in = 0.0;
        for (std::size_t i = 0; i < salt_.count; ++i) {
            double out = 0.0;
            if (i + 1 < salt_.count) {
                out = (c[i + 1] - c[i]) /
                      (0.5 * salt_.width[i] / diffusivity(i) + 0.5 * salt_.width[i + 1] / diffusivity(i + 1));
            }
            dc[i] = ((out - in) / salt_.width[i] + salt_.source[i] * salt_.per_area * electrodes) / salt_.porosity[i];
            in = out;
        }
        const double inner = now.rest - now.phi;
        const double terminal = electrodes + leak() * inner;
        rate[film_] = now.film;
        rate[film_ + 1] = -now.additive;
        const double power = terminal * (inner + terminal * p_.contact_resistance) -
                             electrodes * positive_potential(positive_.mean(y + places_)) +
                             now.inside * graphite_potential(negative_.mean(y)) + now.film * p_.film.heat_potential;
        rate[film_ + 2] = (power - p_.cooling * (t - ambient_)) / p_.heat_capacity;
        rate[film_ + 3] = terminal;
    }

    sim::ParticleParameters p_;
    Sphere negative_, positive_;
    Salt salt_;
    std::size_t places_{0}, film_{0}, count_{0};
    bool kirchhoff_{true};
    double rise_{0.0}, opened_{0.0}, ambient_{298.15}, time_{0.0};
    mutable double guess_{1.0}, hold_guess_{0.1};
    int regime_{1};
    Drive drive_;
    Shown last_{};
    std::vector<double> events_;
    std::unique_ptr<Cvode> cvode_;
};

}  // namespace slowfilm::test
