void cw_decimate(const float *x, int64_t n_frames, int step, const float *taps, int n_taps,
                 float *out, int64_t n_out);
