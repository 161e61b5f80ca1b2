void cw_hop_energies(const float *in, int64_t n_frames, int64_t sample_rate_hz,
                     const double *sections, int64_t n_hops, double *energies);
void cw_hop_levels(const float *in, int64_t n_frames, int64_t sample_rate_hz, int64_t n_hops,
                   double *sums, double *squares, float *peaks);
