void cw_ear_frames(const float *was_left, const float *was_right, const float *is_left,
                   const float *is_right, int64_t n_frames, int hop, int length,
                   const float *window, const float *turns, const float *loudness,
                   const float *bin_weight, const int32_t *first_bin, const int32_t *n_band_bins,
                   const float *share, int n_bands, float *space, float *bands, float *noise,
                   double *power);
