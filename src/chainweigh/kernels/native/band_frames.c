/* Powers of a signal's frames in bands of whole bins, eight frames side by side. */
#include "common.h"
#include "_frame_transform.h"
#include "band_frames.h"

/* space: 2 (length / 2 + 1) rows. edges: first bin of each band, then the end of the last.
   powers: of each frame, of each band. */
WIDE void cw_band_frames(const float *x, const int64_t *starts, int64_t n_frames, int length,
                         const float *window, const float *turns, const int64_t *edges, int n_bands,
                         float *space, float *powers)
{
    row *work = (row *)space, *bins = work + length / 2 + 1;
    for (int64_t first = 0; first < n_frames; first += LANES) {
        int n = (int)(n_frames - first < LANES ? n_frames - first : LANES);
        const float *at[LANES];
        for (int j = 0; j < LANES; j++) at[j] = x + starts[first + (j < n ? j : 0)];
        transform(at, length, window, turns, work, bins);
        for (int b = 0; b < n_bands; b++) {
            lanes sum = power_of(bins[edges[b]]);
            for (int64_t k = edges[b] + 1; k < edges[b + 1]; k++)
                sum = ADD(sum, power_of(bins[k]));
            for (int j = 0; j < n; j++) powers[n_bands * (first + j) + b] = AT(sum, j);
        }
    }
}
