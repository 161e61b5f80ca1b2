#define DISTRHO_PLUGIN_BRAND "chainweigh tests"
#define DISTRHO_PLUGIN_NAME "Steady by a framework"
#define DISTRHO_PLUGIN_URI "urn:chainweigh:steady-framework"
#define DISTRHO_PLUGIN_CLAP_ID "org.example.steady-framework"
#define DISTRHO_PLUGIN_HAS_UI 0
#define DISTRHO_PLUGIN_IS_RT_SAFE 1
#define DISTRHO_PLUGIN_NUM_INPUTS 2
#define DISTRHO_PLUGIN_NUM_OUTPUTS 2
#define DISTRHO_PLUGIN_WANT_LATENCY 1
#define DISTRHO_PLUGIN_VST3_CATEGORIES "Fx|EQ|Stereo"
