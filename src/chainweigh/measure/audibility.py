"""Whether what a chain added can be heard beside the programme: noise-to-mask ratio.

The noise is the difference of magnitudes between candidate and fitted reference, the mask what
the reference hides, both in the bands of the ear model of ITU-R BS.1387. Left, right, mid and
side are judged alone and the worst of them is reported.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_pair, check_rate, check_samples, is_mono
from chainweigh.errors import SignalError
from chainweigh.kernels.ear_frames import EarFrames, ear_frames
from chainweigh.measure.ear_model import EarModel, ear_model
from chainweigh.measure.frames import (
    ENERGY_STEP_S,
    SPAN_S,
    Span,
    chunks,
    frame_length,
    is_active,
    loudness_weight,
)

Floats = NDArray[np.float64]

FULL_SCALE_DB_SPL = 92.0
DISTURBED_DB = 1.5
ONSET_S = 0.05
FRAMES_AT_ONCE = 128
N_MOMENTS, MOMENT_GAP_S = 5, 1.0
NOTHING_DB = -60.0  # frames whose loudest band stays below this are no moment to listen to


@dataclass(frozen=True)
class Audibility:
    """Noise-to-mask ratio of a candidate; each figure that of the worst of its signals.

    Attributes
    ----------
    nmr_mean_db : over bands and active frames
    nmr_worst_db : of the worst active frame, over bands
    disturbed_pct : active frames with a band above 1.5 dB, in the worst 10 s
    disturbed_onsets_pct : onsets with such a frame in their first 50 ms
    worst_moments_s : up to five, the worst first, at least 1 s apart
    worst_signal : left, right, mid, side or mono: the one with the highest nmr_mean_db
    n_active_frames : frames judged
    undefined : field name -> reason
    """

    nmr_mean_db: float | None
    nmr_worst_db: float | None
    disturbed_pct: float | None
    disturbed_onsets_pct: float | None
    worst_moments_s: tuple[float, ...]
    worst_signal: str | None
    n_active_frames: int
    undefined: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ReferenceMasks:
    """What a reference hides, ready for several candidates.

    Attributes
    ----------
    masks : one float32 array a span, shape (n_signals, n_frames, n_bands)
    active : one boolean array a span, shape (n_frames,)
    """

    sample_rate_hz: int
    spans: tuple[Span, ...]
    hop_frames: int
    full_scale_db_spl: float
    masks: tuple[NDArray[np.float32], ...]
    active: tuple[NDArray[np.bool_], ...]


@dataclass(frozen=True)
class _Frames:
    """Per frame of one span and, first axis, per signal: mean and largest noise-to-mask ratio."""

    time_s: Floats
    active: NDArray[np.bool_]
    mean: Floats
    largest: Floats


def reference_masks(
    fitted: Samples,
    *,
    sample_rate_hz: int,
    spans: Sequence[Span] | None = None,
    hop_frames: int | None = None,
    full_scale_db_spl: float = FULL_SCALE_DB_SPL,
) -> ReferenceMasks:
    """Masks of a fitted reference, to be handed to `measure_audibility` for several candidates.

    Parameters as there.

    Notes
    -----
    Masks follow the reference's level band by band. They are exact for the fitted reference they
    were computed from. Used for another candidate of the same reference they err by about as many
    dB as the two fits differ in a band: right for candidates that keep tone and gain (a clip's
    depths), not for those that change them. Silence yields masks of the ear's own noise.

    Raises
    ------
    SignalError
        As `measure_audibility`.
    """
    check_samples(fitted, what="fitted reference")
    check_rate(sample_rate_hz)
    hop, places = _places(fitted.shape[1], sample_rate_hz, spans, hop_frames)
    model = ear_model(sample_rate_hz, full_scale_db_spl)
    masks, active = [], []
    for start, stop in places:
        part, states = fitted[:, start:stop], _states(fitted, model)
        frames = list(_ear_frames(part, part, model, hop))
        parts = [_mask_signals(each.bands, model, hop, states) for each in frames]
        masks.append(np.concatenate(parts, axis=1))
        active.append(np.concatenate([_active(each.power[0]) for each in frames]))
    taken = tuple((start / sample_rate_hz, stop / sample_rate_hz) for start, stop in places)
    return ReferenceMasks(
        sample_rate_hz, taken, hop, full_scale_db_spl, tuple(masks), tuple(active)
    )


def measure_audibility(
    fitted: Samples,
    candidate: Samples,
    *,
    sample_rate_hz: int,
    spans: Sequence[Span] | None = None,
    onsets_s: Sequence[float] | None = None,
    hop_frames: int | None = None,
    full_scale_db_spl: float = FULL_SCALE_DB_SPL,
    masks: ReferenceMasks | None = None,
) -> Audibility:
    """Noise-to-mask ratio of a candidate against its fitted reference.

    Parameters
    ----------
    fitted : float32, shape (n_channels, n_frames): see `chainweigh.measure.residual`
    candidate : the same shape
    sample_rate_hz : 8000 to 384000
    spans : stretches to judge, start and end in seconds; the whole signal when None
    onsets_s : times of onsets in seconds, from the start of the signal
    hop_frames : an eighth of the frame when None (256 up to 48 kHz)
    full_scale_db_spl : playback level of a full-scale sine
    masks : from `reference_masks`, with the same spans, hop and level, instead of fitted's own

    Raises
    ------
    SignalError
        Shapes that differ, samples that are not finite, a rate out of range, a span outside the
        signal, masks made for something else.

    Notes
    -----
    Frames of 2048 samples up to 48 kHz, in proportion above, Hann-windowed. A frame counts when
    its fitted reference or the candidate is louder than -70 LUFS (K-weighted, channels summed).
    Mid and side are half the sum and half the difference. Stretches beyond 10 s are searched for
    their worst 10 s in steps of 1 s, leaving out those with less than a tenth of their frames
    active.

    Identical signals read about -100 dB or less: the floor of 1e-12 under each band's noise over
    the mask, never zero noise. Undefined: without active frames, or shorter than one frame.

    References
    ----------
    ITU-R BS.1387-2, Annex 2 (basic version); P. Kabal, "An examination and interpretation of
    ITU-R BS.1387", McGill University, 2003.
    """
    check_samples(fitted, what="fitted reference")
    check_samples(candidate, what="candidate")
    check_pair(fitted, candidate)
    check_rate(sample_rate_hz)
    if masks is not None and spans is None:
        spans = masks.spans
    hop, places = _places(candidate.shape[1], sample_rate_hz, spans, hop_frames)
    _check_masks(masks, sample_rate_hz, places, hop, full_scale_db_spl)
    model = ear_model(sample_rate_hz, full_scale_db_spl)
    frames = [
        _measure_span(fitted, candidate, place, model, hop, masks, index)
        for index, place in enumerate(places)
    ]
    if not frames:
        return _nothing("shorter than one frame")
    if not any(span.active.any() for span in frames):
        return _nothing("no frame is louder than -70 LUFS")
    return _summary(frames, hop / sample_rate_hz, onsets_s, _signal_names(len(fitted)))


def _measure_span(
    fitted: Samples,
    candidate: Samples,
    place: tuple[int, int],
    model: EarModel,
    hop: int,
    masks: ReferenceMasks | None,
    index: int,
) -> _Frames:
    start, stop = place
    before, after = fitted[:, start:stop], candidate[:, start:stop]
    n_alike = 2 if masks is None and is_mono(before) and is_mono(after) else 1
    if n_alike == 2:
        before, after = before[:1], after[:1]
    states = _states(before, model)
    mean, largest, active = [], [], []
    first = 0
    for frames in _ear_frames(before, after, model, hop):
        rows = slice(first, first + frames.power.shape[1])
        first = rows.stop
        if masks is None:
            ratios = model.noise_to_mask(frames.bands, frames.noise, hop, states)
            loud = _active(n_alike * frames.power[0])
        else:
            ratios = _over(frames.noise, masks.masks[index][:, rows])
            loud = masks.active[index][rows]
        active.append(loud | _active(n_alike * frames.power[1]))
        mean.append(ratios[0])
        largest.append(ratios[1])
    found = [np.concatenate(each, axis=1) for each in (mean, largest)]
    if n_alike == 2:
        found = [_with_silent_side(*each) for each in zip(found, model.silence, strict=True)]
    centre = start + len(model.window) / 2 + hop * np.arange(first)
    return _Frames(centre / model.sample_rate_hz, np.concatenate(active), *found)


def _with_silent_side(channel: Floats, silence: float) -> Floats:
    """Left, right, mid and side from one of two channels that are the same."""
    return np.concatenate([channel, channel, channel, np.full_like(channel, silence)])


def _ear_frames(
    fitted: Samples, candidate: Samples, model: EarModel, hop: int
) -> Iterator[EarFrames]:
    """Whole frames of both in the model's bands, some at once."""
    length = len(model.window)
    for rows in chunks((fitted.shape[1] - length) // hop + 1, FRAMES_AT_ONCE):
        part = slice(rows.start * hop, (rows.stop - 1) * hop + length)
        yield ear_frames(
            fitted[:, part],
            candidate[:, part],
            window=model.window,
            hop=hop,
            loudness=loudness_weight(model.sample_rate_hz, length),
            grouping=model.grouping,
        )


def _mask_signals(
    bands: NDArray[np.float32], model: EarModel, hop: int, states: Floats
) -> NDArray[np.float32]:
    return np.stack(
        [model.masks_of(signal, hop, state) for signal, state in zip(bands, states, strict=True)]
    )


def _over(noise: NDArray[np.float32], hidden: NDArray[np.float32]) -> tuple[Floats, Floats]:
    """Mean and largest ratio over bands."""
    ratios = noise / hidden
    return ratios.mean(axis=2, dtype=np.float64), ratios.max(axis=2).astype(np.float64)


def _active(power: Floats) -> NDArray[np.bool_]:
    return is_active(power * 3 / 8)  # the model's window carries a factor of sqrt(8/3)


def _states(samples: Samples, model: EarModel) -> Floats:
    return np.zeros((len(_signal_names(len(samples))), len(model.centre_hz)))


def _signal_names(n_channels: int) -> tuple[str, ...]:
    return ("left", "right", "mid", "side") if n_channels == 2 else ("mono",)


def _places(
    n_frames: int, sample_rate_hz: int, spans: Sequence[Span] | None, hop_frames: int | None
) -> tuple[int, list[tuple[int, int]]]:
    """Hop, and the spans in frames without those shorter than one analysis frame."""
    length = frame_length(sample_rate_hz)
    hop = length // 8 if hop_frames is None else hop_frames
    if hop < 1:
        raise SignalError(f"hop is {hop} frames; 1 or more is needed")
    places = [(0, n_frames)]
    if spans is not None:
        places = [(round(a * sample_rate_hz), round(b * sample_rate_hz)) for a, b in spans]
    for start, stop in places:
        if not 0 <= start <= stop <= n_frames + round(ENERGY_STEP_S * sample_rate_hz):
            raise SignalError(
                f"span {start / sample_rate_hz:g} to {stop / sample_rate_hz:g} s; "
                f"0 to {n_frames / sample_rate_hz:g} s is allowed"
            )
    places = [(start, min(stop, n_frames)) for start, stop in places]
    return hop, [place for place in places if place[1] - place[0] >= length]


def _check_masks(
    masks: ReferenceMasks | None,
    sample_rate_hz: int,
    places: list[tuple[int, int]],
    hop: int,
    full_scale_db_spl: float,
) -> None:
    if masks is None:
        return
    spans = tuple((start / sample_rate_hz, stop / sample_rate_hz) for start, stop in places)
    made = masks.sample_rate_hz, masks.spans, masks.hop_frames, masks.full_scale_db_spl
    if made != (sample_rate_hz, spans, hop, full_scale_db_spl):
        raise SignalError(
            "masks were made for another rate, spans, hop or level: "
            f"{made} against {(sample_rate_hz, spans, hop, full_scale_db_spl)}"
        )


def _summary(
    frames: list[_Frames], hop_s: float, onsets_s: Sequence[float] | None, names: tuple[str, ...]
) -> Audibility:
    active = np.concatenate([span.active for span in frames])
    mean = np.concatenate([span.mean for span in frames], axis=1)[:, active]
    means_db = 10 * np.log10(mean.mean(axis=1))
    disturbed = [span.largest > 10 ** (DISTURBED_DB / 10) for span in frames]
    shares = [
        _worst_share(d, span.active, hop_s) for d, span in zip(disturbed, frames, strict=True)
    ]
    onsets_pct, reason = _disturbed_onsets_pct(frames, disturbed, onsets_s)
    return Audibility(
        nmr_mean_db=float(means_db.max()),
        nmr_worst_db=10 * float(np.log10(mean.max())),
        disturbed_pct=100 * max(shares),
        disturbed_onsets_pct=onsets_pct,
        worst_moments_s=_worst_moments_s(frames),
        worst_signal=names[int(np.argmax(means_db))],
        n_active_frames=int(active.sum()),
        undefined={} if reason is None else {"disturbed_onsets_pct": reason},
    )


def _worst_share(disturbed: NDArray[np.bool_], active: NDArray[np.bool_], hop_s: float) -> float:
    """Largest share of disturbed active frames of any signal in any 10 s of one span."""
    window, step = round(SPAN_S / hop_s), round(1 / hop_s)
    starts = range(0, max(len(active) - window, 0) + 1, step)
    edges = [(start, min(start + window, len(active))) for start in starts]
    counts = [int(active[a:b].sum()) for a, b in edges]
    enough = [(a, b, n) for (a, b), n in zip(edges, counts, strict=True) if 10 * n >= b - a]
    if not enough:
        enough = [(0, len(active), int(active.sum()))]
    hits = disturbed & active
    return max((float(hits[:, a:b].sum(axis=1).max()) / n for a, b, n in enough if n), default=0.0)


def _disturbed_onsets_pct(
    frames: list[_Frames], disturbed: list[NDArray[np.bool_]], onsets_s: Sequence[float] | None
) -> tuple[float | None, str | None]:
    if onsets_s is None:
        return None, "no onsets were given"
    onsets = np.asarray(onsets_s, dtype=np.float64)
    judged, n_hit = np.zeros(len(onsets), dtype=np.bool_), np.zeros(len(disturbed[0]), np.int64)
    for span, hits in zip(frames, disturbed, strict=True):
        first, last = (np.searchsorted(span.time_s, onsets + after) for after in (0, ONSET_S))
        here = _any_between(span.active, first, last) & ~judged
        n_hit += (_any_between(hits & span.active, first, last) & here).sum(axis=1)
        judged |= here
    n_onsets = int(judged.sum())
    if not n_onsets:
        return None, "no onset lies in an active frame"
    return 100 * float(n_hit.max()) / n_onsets, None


def _any_between(
    flags: NDArray[np.bool_], first: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Whether any flag from first to last, exclusive, is set; frames are the last axis."""
    before = np.zeros((*flags.shape[:-1], flags.shape[-1] + 1), dtype=np.int64)
    np.cumsum(flags, axis=-1, out=before[..., 1:])
    return np.asarray(before[..., last] > before[..., first])


def _worst_moments_s(frames: list[_Frames]) -> tuple[float, ...]:
    time_s = np.concatenate([span.time_s for span in frames])
    worst = np.concatenate([np.where(s.active, s.largest.max(axis=0), 0) for s in frames])
    moments: list[float] = []
    while len(moments) < N_MOMENTS:
        at = int(np.argmax(worst))
        if worst[at] < 10 ** (NOTHING_DB / 10):
            break
        moments.append(float(time_s[at]))
        worst[np.abs(time_s - time_s[at]) < MOMENT_GAP_S] = 0
    return tuple(moments)


def _nothing(reason: str) -> Audibility:
    names = ("nmr_mean_db", "nmr_worst_db", "disturbed_pct", "disturbed_onsets_pct", "worst_signal")
    return Audibility(None, None, None, None, (), None, 0, dict.fromkeys(names, reason))
