#include "daemon/channel/modbus_bus.hpp"

#include <utility>

namespace slowfilm::channel {
namespace {

namespace modbus = wire::modbus;

LinkOptions link_of(const BusOptions& options, bool driven) {
    LinkOptions link;
    link.driven = driven;
    link.port = options.port;
    link.pause = options.pause;
    link.quiet = options.quiet;
    link.boot = options.boot;
    link.echoes = options.echoes;
    link.answer_max = 1'024;
    return link;
}

std::string sentence(const modbus::Request& request, std::string_view what) {
    return "unit " + std::to_string(request.unit) + ", register " + std::to_string(request.address) + ": " +
           std::string(what);
}

}  // namespace

ModbusBus::ModbusBus(boost::asio::io_context& io, Timing& timing, const BusOptions& options, Lockstep* lockstep)
    : options_(options), link_(io, timing, link_of(options, lockstep != nullptr)) {
    if (lockstep != nullptr) {
        lockstep->join(link_);
    }
    link_.start();
}

void ModbusBus::ask(const modbus::Request& request, Duration deadline, Urgency urgency, Done done) {
    link_.ask({.urgency = urgency,
               .question = modbus::encode(request),
               .answer = [request](std::string_view came) -> std::size_t {
                   modbus::ReplyReader reader(request);
                   return reader.push(came) ? came.size() : 0;
               },
               .deadline = deadline,
               // What is written is answered by itself, so that an answer may be the question.
               .belongs = [](std::string_view) { return true; },
               .done =
                   [this, request, done = std::move(done)](const Result<Answer, LinkFault>& answer) {
                       if (!answer) {
                           const std::string& why = link_.trouble();
                           done(tl::unexpected(answer.error() == LinkFault::lost && !why.empty()
                                                   ? why
                                                   : sentence(request, name(answer.error()))));
                           return;
                       }
                       modbus::ReplyReader reader(request);
                       std::optional<modbus::Reply> reply = reader.push(answer->bytes);
                       if (reply->exception) {
                           done(tl::unexpected(sentence(request, modbus::describe(*reply->exception))));
                       } else {
                           done(BusAnswer{std::move(reply->values), answer->asked});
                       }
                   }});
}

std::shared_ptr<ModbusBus> ModbusBuses::at(const BusOptions& options) {
    std::shared_ptr<ModbusBus>& bus = by_path_[options.port.path];
    if (!bus) {
        bus = std::make_shared<ModbusBus>(io_, timing_, options, lockstep_);
    }
    return bus;
}

}  // namespace slowfilm::channel
