/* What stands out of its own smoothed spectrum, and how far it is turned down over time. */
#include "common.h"
#include "resonance.h"

#define LOBE 3 /* bins to each side that get the cut of the bin that asks for the most */

typedef struct {
    double margin_db, max_cut_db, attack, release, forgotten_db, faint;
} Rules;

/* Mean power of the channels, and its running sum with 0 in front. */
static void add_up(const float *spectra, int n_channels, int64_t apart, int n_bins, double *power,
                   double *sums)
{
    for (int k = 0; k < n_bins; k++) {
        double total = 0.0;
        for (int c = 0; c < n_channels; c++) {
            double re = spectra[c * apart + 2 * k], im = spectra[c * apart + 2 * k + 1];
            total += re * re + im * im;
        }
        power[k] = total / n_channels;
    }
    sums[0] = 0.0;
    for (int k = 0; k < n_bins; k++) sums[k + 1] = sums[k] + power[k];
}

/* Cut each bin asks for; whether any does. The three bins of a place are among those around it,
   whatever a difference of large sums says. What is fainter than a share of the whole asks for
   none. */
static int ask(const double *power, const double *sums, double whole, int n_cut, const int32_t *low,
               const int32_t *high, const Rules *rules, double *wanted)
{
    double ratio = pow(10.0, rules->margin_db / 10.0), faint = rules->faint * whole;
    int any = 0;
    for (int i = 0; i < n_cut; i++) {
        double local = power[i - 1] + power[i] + power[i + 1];
        double around = sums[high[i]] - sums[low[i]];
        around = (around > local ? around : local) * (3.0 / (high[i] - low[i]));
        wanted[i] = 0.0;
        if (local > around * ratio && local > faint) {
            double cut = 10.0 * log10(local / around) - rules->margin_db;
            wanted[i] = cut < rules->max_cut_db ? cut : rules->max_cut_db;
            any = 1;
        }
    }
    return any;
}

/* Largest cut within the lobe, then the mean of three bins; ends count twice. */
static void spread(double *wanted, double *widest, int n_cut)
{
    for (int i = 0; i < n_cut; i++) {
        int from = i < LOBE ? 0 : i - LOBE, to = i + LOBE < n_cut ? i + LOBE : n_cut - 1;
        double most = 0.0;
        for (int j = from; j <= to; j++) most = wanted[j] > most ? wanted[j] : most;
        widest[i] = most;
    }
    for (int i = 0; i < n_cut; i++) {
        double before = widest[i > 0 ? i - 1 : 0], after = widest[i + 1 < n_cut ? i + 1 : i];
        wanted[i] = (before + widest[i] + after) / 3.0;
    }
}

/* Moves the cuts towards those wanted; whether any is left. */
static int move(double *state, const double *wanted, int n_cut, const Rules *rules, float *cuts)
{
    int any = 0;
    for (int i = 0; i < n_cut; i++) {
        int falling = wanted[i] <= state[i];
        double cut = state[i] + (falling ? rules->release : rules->attack) * (wanted[i] - state[i]);
        cut = falling && cut < rules->forgotten_db ? 0.0 : cut;
        state[i] = cut;
        cuts[i] = (float)cut;
        any |= cut > 0.0;
    }
    return any;
}

/* spectra: interleaved complex numbers. settings: the rules. state: n_cut cuts in dB. scratch:
   2 n_bins + 1 + 2 n_cut. Returns whether anything is cut; where not, cuts are all 0. */
WIDE int cw_resonance_cuts(const float *spectra, int n_channels, int64_t n_windows, int n_bins,
                           int first, int n_cut, const int32_t *low, const int32_t *high,
                           const double *settings, double *state, double *scratch, float *cuts)
{
    Rules rules = {settings[0], settings[1], settings[2],
                   settings[3], settings[4], settings[5]};
    double *power = scratch, *sums = power + n_bins, *wanted = sums + n_bins + 1;
    int any = 0;
    for (int64_t w = 0; w < n_windows; w++) {
        add_up(spectra + 2 * w * n_bins, n_channels, 2 * n_windows * n_bins, n_bins, power, sums);
        if (ask(power + first, sums, sums[n_bins], n_cut, low, high, &rules, wanted))
            spread(wanted, wanted + n_cut, n_cut);
        any |= move(state, wanted, n_cut, &rules, cuts + w * n_cut);
    }
    return any;
}
