int cw_compress(const float *left_in, const float *right_in, float *left_out, float *right_out,
                const float *left_key, const float *right_key, int64_t n_frames,
                const double *settings, int n_ahead, int rms, int linked);
