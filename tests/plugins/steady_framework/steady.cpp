/* The well-behaved effect by a framework of others, which knows VST3 from its own side. */
#include "DistrhoPlugin.hpp"
#include "../steady_dsp.h"

START_NAMESPACE_DISTRHO

class Steady : public Plugin {
    enum { GAIN, TILT, MODE, TAPS, DUCKED, N_PARAMETERS };
    steady dsp{};
    float values[N_PARAMETERS] = {0, 0, 0, 8, 0};

public:
    Steady() : Plugin(N_PARAMETERS, 0, 0) { setLatency(LATENCY); }

protected:
    const char *getLabel() const override { return "steady"; }
    const char *getMaker() const override { return "chainweigh tests"; }
    const char *getLicense() const override { return "None"; }
    uint32_t getVersion() const override { return d_version(2, 1, 0); }
    int64_t getUniqueId() const override { return d_cconst('s', 't', 'd', 'y'); }

    void initParameter(uint32_t index, Parameter &p) override
    {
        static const char *const names[] = {"Gain", "Tilt", "Mode", "Taps", "Ducked"};
        p.name = names[index];
        p.symbol = names[index];
        p.hints = kParameterIsAutomatable;
        if (index == GAIN || index == TILT) {
            p.unit = "dB";
            p.ranges = index == GAIN ? ParameterRanges(0, -24, 24) : ParameterRanges(0, -12, 12);
        } else if (index == MODE) {
            p.hints |= kParameterIsInteger;
            p.ranges = ParameterRanges(0, 0, 1);
            p.enumValues.values = new ParameterEnumerationValue[2]{{0, "Upright"}, {1, "Mirrored"}};
            p.enumValues.count = 2;
            p.enumValues.restrictedMode = true;
        } else if (index == TAPS) {
            p.hints |= kParameterIsInteger;
            p.ranges = ParameterRanges(8, 4, 64);
        } else {
            p.hints |= kParameterIsBoolean;
            p.ranges = ParameterRanges(0, 0, 1);
        }
    }

    float getParameterValue(uint32_t index) const override { return values[index]; }
    void setParameterValue(uint32_t index, float value) override { values[index] = value; }
    void activate() override { steady_start(&dsp, getSampleRate()); }

    void run(const float **in, float **out, uint32_t n_frames) override
    {
        for (int side = 0; side < 2; side++)
            steady_run(&dsp, side, values[GAIN], values[TILT], values[MODE] > 0.5f, in[side],
                       out[side], n_frames);
    }
};

Plugin *createPlugin() { return new Steady; }

END_NAMESPACE_DISTRHO
