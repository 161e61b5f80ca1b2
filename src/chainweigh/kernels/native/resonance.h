int cw_resonance_cuts(const float *spectra, int n_channels, int64_t n_windows, int n_bins,
                      int first, int n_cut, const int32_t *low, const int32_t *high,
                      const double *settings, double *state, double *scratch, float *cuts);
