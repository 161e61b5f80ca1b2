void cw_saturate(const float *x, float *y, int64_t n_frames, int n_stages, int curve,
                 float ceiling, float bias, float mix, const float *taps, const int32_t *pairs);
