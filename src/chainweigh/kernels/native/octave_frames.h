void cw_octave_energies(const float *x, const float *y, int64_t n_frames, int hop, int length,
                        const float *window, const float *turns, const float *loudness,
                        const int32_t *first_bin, const int32_t *n_band_bins, const float *share,
                        int n_bands, float *space, double *sums, double *power);
void cw_octave_shape(const float *x, int64_t n_frames, int hop, int length, const float *window,
                     const float *turns, const float *gains, const int32_t *first_bin,
                     const int32_t *n_band_bins, const float *share, int n_bands,
                     const float *fade, float *space, float *out);
