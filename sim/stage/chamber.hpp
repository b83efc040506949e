// A temperature chamber: goes to what it is set to at its own pace, and tells what it has come to.
#pragma once

#include "daemon/core/quantity.hpp"

namespace slowfilm::sim {

class Chamber {
  public:
    // `ramp` in K/s, > 0; temperatures in degC.
    Chamber(double celsius, double ramp, double min, double max);
    // What lies beyond its range is brought into it.
    void set(double celsius, Time now);
    // Before it was last set it had what it had then.
    [[nodiscard]] double at(Time now) const;

  private:
    double from_, to_;
    double ramp_;
    double min_, max_;
    Time since_;
};

}  // namespace slowfilm::sim
