void cw_ear_bands(const float *spectra, int64_t n_frames, int64_t n_bins,
                  const float *bin_weight, const int32_t *first_bin, const int32_t *n_band_bins,
                  const float *share, int n_bands, float *bands);
void cw_ear_spread(const float *bands, int64_t n_frames, int n_bands, double step_bark,
                   const double *centre_hz, const double *unit_response, float *excitation);
void cw_ear_smear(float *excitation, int64_t n_frames, int n_bands, const double *keep,
                  double *state);
void cw_ear_noise_to_mask(const float *bands, const float *noise, int n_signals, int64_t n_frames,
                          int n_bands, const float *internal_noise, double step_bark,
                          const double *centre_hz, const double *unit_response,
                          const double *keep, double *state, double *mean, double *largest);
