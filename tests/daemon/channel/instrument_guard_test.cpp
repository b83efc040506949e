// What the guardian is told of the ports of instruments, shown by what it writes once they are left to it.
#include "daemon/channel/instrument_channel.hpp"
#include "tests/daemon/channel/test_instrument.hpp"

#include <filesystem>
#include <optional>

#include <gmock/gmock.h>

namespace slowfilm::channel {
namespace {

using namespace literals;
using test::Folder;
using test::TestInstrument;

class Guarded : public ::testing::Test {
  protected:
    Guarded()
        : guardian_(std::move(*Guardian::start())), instruments_(std::in_place, world_.io, world_.timing, &*guardian_) {
        const std::string file = SLOWFILM_SOURCE_DIR "/config/instruments/two-quadrant-source.toml";
        profile_ = std::make_shared<const Profile>(std::move(*load_profile(file)));
    }
    ~Guarded() override { world_.forget(); }

    Result<std::unique_ptr<Channel>> make(const std::string& output) {
        InstrumentChannelOptions options;
        options.profile = profile_;
        options.ports = {instrument_.peer.pty.path()};
        options.output = output;
        options.protection = 4350_mV;
        options.current_protection = Current{3'000'000'000};
        options.traits = traits_of(*profile_, ChannelTraits{.period = 1_s});
        return make_instrument_channel(*instruments_, options);
    }
    void join() {
        world_.join((*instruments_->at(instrument_.peer.pty.path(), profile_->instruments[0], ""))->link(),
                    instrument_.peer);
    }
    // Everything on this side ends, as with the daemon's process; then the guardian has its turn, and is waited for.
    std::vector<std::string> left_to_the_guardian() {
        channels_.clear();
        world_.forget();
        const std::size_t before = instrument_.peer.lines.size();
        instruments_.reset();
        guardian_.reset();
        instrument_.peer.turn();
        return instrument_.lines_since(before);
    }
    // Ports among the guardian's descriptors.
    [[nodiscard]] int ports_held() const {
        int held = 0;
        for (const auto& entry :
             std::filesystem::directory_iterator("/proc/" + std::to_string(guardian_->process()) + "/fd")) {
            std::error_code none;
            const std::string target = std::filesystem::read_symlink(entry.path(), none).string();
            held += std::stoi(entry.path().filename()) > 2 && target.starts_with("/dev/pts/") ? 1 : 0;
        }
        return held;
    }
    void until_held(int count) {
        const auto patience = std::chrono::steady_clock::now() + std::chrono::seconds(60);
        while (ports_held() != count && std::chrono::steady_clock::now() < patience) {
            world_.settle();
        }
        EXPECT_EQ(ports_held(), count);
    }

    Folder folder_;
    test::World world_;
    TestInstrument instrument_{folder_.file("source"), test::source_identity};
    std::shared_ptr<const Profile> profile_;
    std::optional<Guardian> guardian_;
    std::optional<Instruments> instruments_;
    std::vector<std::unique_ptr<Channel>> channels_;
};

TEST_F(Guarded, every_output_behind_a_port_is_switched_off_after_this_process) {
    channels_.push_back(std::move(*make("1")));
    channels_.push_back(std::move(*make("2")));
    join();
    ASSERT_TRUE(world_.until([&] { return channels_[0]->health().ready && channels_[1]->health().ready; }, 10_s));
    EXPECT_THAT(left_to_the_guardian(), testing::ElementsAre("OUTP1 OFF", "OUTP2 OFF"));
}

TEST_F(Guarded, a_released_guardian_writes_nothing) {
    channels_.push_back(std::move(*make("1")));
    join();
    ASSERT_TRUE(world_.until([&] { return channels_[0]->health().ready; }, 10_s));
    guardian_->release();
    EXPECT_THAT(left_to_the_guardian(), testing::IsEmpty());
}

TEST_F(Guarded, a_port_that_is_gone_is_let_go_of_and_kept_again_when_it_is_back) {
    channels_.push_back(std::move(*make("1")));
    join();
    ASSERT_TRUE(world_.until([&] { return channels_[0]->health().ready; }, 10_s));
    until_held(1);
    instrument_.peer.pty.unplug();
    ASSERT_TRUE(world_.until([&] { return !channels_[0]->health().ready; }, 10_s));
    until_held(0);
    instrument_.peer.pty.plug_in();
    ASSERT_TRUE(world_.until([&] { return channels_[0]->health().ready; }, 20_s));
    until_held(1);
    EXPECT_THAT(left_to_the_guardian(), testing::ElementsAre("OUTP1 OFF"));
}

TEST_F(Guarded, more_outputs_than_can_be_kept_of_one_port_are_refused) {
    for (int output = 1; output <= 16; ++output) {
        auto made = make(std::to_string(output));
        ASSERT_TRUE(made) << made.error().message;
        channels_.push_back(std::move(*made));
    }
    const auto refused = make("17");
    ASSERT_FALSE(refused);
    EXPECT_EQ(refused.error().failure, Failure::bad_config);
    EXPECT_THAT(refused.error().message, testing::HasSubstr("1 to 16 lines"));
}

}  // namespace
}  // namespace slowfilm::channel
