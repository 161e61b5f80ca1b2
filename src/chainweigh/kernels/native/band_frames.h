void cw_band_frames(const float *x, const int64_t *starts, int64_t n_frames, int length,
                    const float *window, const float *turns, const int64_t *edges, int n_bands,
                    float *space, float *powers);
