int cw_limit(const float *x, const float *envelope, float *y, float *moves, int n_channels,
             int64_t n_frames, const float *taps, const int32_t *pairs, const float *weights,
             float ceiling, float link, int n_look, int n_attack, int n_hold, double decay,
             double slow_decay);
void cw_trim(float *y, int64_t n_frames, const float *knots, int64_t n_blocks, int64_t first);
