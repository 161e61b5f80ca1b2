void cw_residual_sums(const float *fitted, const float *candidate, int64_t n_frames, int length,
                      const float *columns, int n_groups, double *energies, double *products);
