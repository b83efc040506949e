// The daemon's log: lines on stderr, with priority prefixes where journald reads them. A reader that stops reading
// loses lines; it never stops the bench.
#pragma once

namespace slowfilm::daemon {

class Log {
  public:
    Log();
    ~Log();
    Log(const Log&) = delete;
    Log& operator=(const Log&) = delete;
};

}  // namespace slowfilm::daemon
