int64_t cw_first_not_finite(const float *x, int64_t n);
