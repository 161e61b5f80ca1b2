int cw_least_error(const float *samples, int64_t n_channels, int64_t n_samples,
                   const int64_t *starts, int64_t n_frames, int64_t length, int n_stages,
                   const double *kernels, const double *gates, double ceiling, double tolerance,
                   const float *taps, const int32_t *pairs, double *error);
