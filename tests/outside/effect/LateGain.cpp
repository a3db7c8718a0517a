/* out[n] = gain * in[n - 64]; with HANG_WHEN_MADE it never finishes being made. */
#include <cstdint>
#include <cstring>
#include <unistd.h>
#include "DistrhoPlugin.hpp"

START_NAMESPACE_DISTRHO

class LateGain : public Plugin {
public:
    LateGain() : Plugin(1, 0, 0) {
#ifdef HANG_WHEN_MADE
        for (;;) sleep(1000);
#endif
        setLatency(kLate);
    }

protected:
    const char* getLabel() const override { return "late_gain"; }
    const char* getMaker() const override { return "a test"; }
    const char* getLicense() const override { return "ISC"; }
    uint32_t getVersion() const override { return d_version(1, 0, 0); }
    int64_t getUniqueId() const override { return d_cconst('L', 'a', 't', 'G'); }

    void initParameter(uint32_t, Parameter& parameter) override {
        parameter.hints = kParameterIsAutomatable;
        parameter.name = "Gain";
        parameter.symbol = "gain";
        parameter.ranges.def = 1.0f;
        parameter.ranges.min = 0.0f;
        parameter.ranges.max = 2.0f;
    }

    float getParameterValue(uint32_t) const override { return gain; }
    void setParameterValue(uint32_t, float value) override { gain = value; }

    void activate() override {
        std::memset(held, 0, sizeof held);
        place = 0;
    }

    void run(const float** in, float** out, uint32_t frames) override {
        for (uint32_t i = 0; i < frames; ++i) {
            for (int channel = 0; channel < 2; ++channel) {
                const float now = in[channel][i];
                out[channel][i] = gain * held[channel][place];
                held[channel][place] = now;
            }
            place = (place + 1) % kLate;
        }
    }

private:
    static const uint32_t kLate = 64;
    float held[2][kLate] = {};
    float gain = 1.0f;
    uint32_t place = 0;
};

Plugin* createPlugin() { return new LateGain(); }

END_NAMESPACE_DISTRHO
