void cw_biquad_cascade(const float *in, float *out, int64_t n_frames,
                       const double *sections, int n_sections);
