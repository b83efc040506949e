// An opened port as Asio waits on it.
#pragma once

#include "daemon/channel/link.hpp"

#include <array>
#include <boost/asio/posix/stream_descriptor.hpp>

namespace slowfilm::channel {

// Handlers that are under way hold it; the link may have gone on to another by then.
struct Link::Line {
    Line(boost::asio::io_context& io, Port opened, Link* link)
        : port(std::move(opened)), stream(io, port.descriptor()), owner(link) {}
    ~Line() { close(); }
    Line(const Line&) = delete;
    Line& operator=(const Line&) = delete;

    // At once: while the descriptor is open an adapter that comes back gets another name.
    void close() {
        owner = nullptr;
        if (stream.is_open()) {
            stream.release();
        }
        port.close();
    }

    Port port;
    boost::asio::posix::stream_descriptor stream;
    Link* owner;
    bool waits_to_write{false};
    std::array<char, 4096> bytes{};  // as they come
};

}  // namespace slowfilm::channel
