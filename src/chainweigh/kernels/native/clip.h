void cw_clip(const float *x, float *y, int n_channels, int64_t n_frames, const float *bounds,
             int64_t n_blocks, float ceiling, float threshold, int n_stages, const float *taps,
             const int32_t *pairs);
