void cw_block_peaks(const float *x, int64_t n_frames, int64_t first, int64_t n_blocks,
                    float *peaks, float *bends);
void cw_true_peak(const float *x, int64_t n_frames, const float *bounds, int64_t first,
                  int64_t n_blocks, const float *taps, const int32_t *pairs, const float *weights,
                  float *peak, int64_t *position);
void cw_true_peak_envelope(const float *x, int64_t n_frames, const float *bounds, int64_t first,
                           int64_t n_blocks, const float *taps, const int32_t *pairs,
                           const float *weights, float floor, float *out);
void cw_block_true_peaks(const float *x, int64_t n_frames, int64_t first, int64_t n_blocks,
                         const uint8_t *within, const float *taps, const int32_t *pairs,
                         const float *weights, float floor, float *out);
void cw_table_peak(const float *x, int64_t n_frames, const float *bounds, int64_t first,
                   int64_t n_blocks, const float *table, float norm, float *peak, int64_t *position);
