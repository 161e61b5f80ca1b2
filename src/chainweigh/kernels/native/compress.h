void cw_compress(const float *left_in, const float *right_in, float *left_out, float *right_out,
                 int64_t n_frames, const double *settings, int rms, int linked);
