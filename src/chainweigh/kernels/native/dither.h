void cw_dither(const float *x, const double *noise, float *y, int64_t n_frames, double step,
               const double *taps, int n_taps, double *errors);
