#include "sim/stage/chamber.hpp"

#include "daemon/core/ensure.hpp"

#include <algorithm>

namespace slowfilm::sim {

Chamber::Chamber(double celsius, double ramp, double min, double max)
    : from_(celsius), to_(celsius), ramp_(ramp), min_(min), max_(max) {
    ENSURE(ramp > 0.0 && min <= max);
}

void Chamber::set(double celsius, Time now) {
    from_ = at(now);
    to_ = std::clamp(celsius, min_, max_);
    since_ = now;
}

double Chamber::at(Time now) const {
    if (from_ == to_) {
        return to_;
    }
    const double gone = now > since_ ? ramp_ * seconds(now - since_) : 0.0;
    return to_ >= from_ ? std::min(to_, from_ + gone) : std::max(to_, from_ - gone);
}

}  // namespace slowfilm::sim
