void cw_sum_parts(const float *const *parts, int n_parts, int64_t n, float *out);
