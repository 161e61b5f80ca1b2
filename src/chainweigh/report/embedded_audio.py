"""Takes as text inside the page, lossless, in so many bytes at the most.

A candidate is kept as what it adds to the reference before its match gain: a chain that touches
only the peaks then costs next to nothing. Integers of 24 bits add up exactly in the browser, so
what plays is gain times (reference + difference) with no coding error but that of the 24 bits.
"""

import base64
import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, from_db
from chainweigh.audio.files import flac_bytes
from chainweigh.ranking.jobs import no_progress, run_jobs
from chainweigh.ranking.listening import LEAST_S, ListeningRoom, Passage, Take, whole_beats_s

LONGEST_S = 10.0
N_TAKES = 8
SHORTEST_USEFUL_S = 2.0
PROBE_S, PROBE_ERRS = 2.0, 1.1  # what a short passage takes tells a long one's size so well
FULL_SCALE = 2**23  # of 24 bits


@dataclass(frozen=True)
class Embedded:
    """One passage's audio: a text for each take, the other groups last where there are any.

    `unit` is the value of full scale in all of them.
    """

    passage: Passage
    unit: float
    texts: tuple[str, ...]
    others_text: str | None

    @property
    def n_bytes(self) -> int:
        """Length of the text."""
        return sum(map(len, self.texts)) + len(self.others_text or "")

    def gains(self, take: Take) -> dict[str, float | None]:
        """What the player multiplies by: reference and difference soloed, all of it in the mix."""
        base = self.unit * from_db(take.source.match_gain_db)
        solo, mix = from_db(take.excerpt_gain_db or 0.0), from_db(take.mix_gain_db or 0.0)
        in_mix = take.mix_gain_db is not None
        return {
            "solo": base * solo,
            "mix": base * mix if in_mix else None,
            "others": self.unit * mix if in_mix else None,
        }


def embed(
    rooms: Sequence[ListeningRoom], tempo_bpm: float | None, beats_per_bar: int | None, limit: int
) -> list[Embedded | None]:
    """Every comparison's passage, all as long as the limit in bytes allows.

    Passages are shortened to whole bars or beats down to 2 s; then there are fewer takes.
    """
    longest_s = min([LONGEST_S, *(room.duration_s for room in rooms if room.duration_s)])
    for n_takes in (N_TAKES, N_TAKES // 2, N_TAKES // 4, 1):
        least_s = LEAST_S if n_takes == 1 else SHORTEST_USEFUL_S
        promising_s = min(longest_s, _filling_s(rooms, n_takes, limit))
        length_s = whole_beats_s(promising_s, tempo_bpm, beats_per_bar, least_s=least_s)
        while length_s >= least_s:
            embedded = _all_embedded(rooms, length_s, n_takes)
            n_bytes = _n_bytes(embedded)
            if n_bytes <= limit:
                return embedded
            shorter_s = length_s * min(0.97 * limit / n_bytes, 0.9)
            length_s = whole_beats_s(shorter_s, tempo_bpm, beats_per_bar, least_s=least_s)
    return [None for _ in rooms]


def _filling_s(rooms: Sequence[ListeningRoom], n_takes: int, limit: int) -> float:
    """About the longest passages that fit, judged by short ones."""
    n_bytes = _n_bytes(_all_embedded(rooms, PROBE_S, n_takes))
    return PROBE_S * PROBE_ERRS * limit / max(n_bytes, 1)


def _all_embedded(
    rooms: Sequence[ListeningRoom], length_s: float, n_takes: int
) -> list[Embedded | None]:
    jobs = [lambda room=room: _embedded(room.passage(length_s, n_takes)) for room in rooms]
    return run_jobs(jobs, threads=os.cpu_count() or 1, progress=no_progress, what="")


def _n_bytes(embedded: Sequence[Embedded | None]) -> int:
    return sum(e.n_bytes for e in embedded if e)


def _embedded(passage: Passage | None) -> Embedded | None:
    if passage is None:
        return None
    reference, *candidates = passage.takes
    raw = [take.samples / np.float32(from_db(take.source.match_gain_db)) for take in candidates]
    parts = [reference.samples, *raw, *(r - reference.samples for r in raw)]
    if passage.others is not None:
        parts.append(passage.others)
    unit = _unit(parts)
    base = _integers(reference.samples, unit)
    differences = [_integers(r, unit) - base for r in raw]
    rate = passage.sample_rate_hz
    return Embedded(
        passage,
        unit,
        tuple(_text(part, rate) for part in (base, *differences)),
        None if passage.others is None else _text(_integers(passage.others, unit), rate),
    )


def _unit(parts: Sequence[Samples]) -> float:
    """The power of two that no part reaches, with one bit of room for rounding."""
    peak = max(float(np.abs(part).max(initial=0.0)) for part in parts)
    return float(2.0 ** max(0, np.ceil(np.log2(peak * 1.000001)))) if peak > 0 else 1.0


def _integers(samples: Samples, unit: float) -> NDArray[np.int32]:
    scaled = np.rint(samples.astype(np.float64) * (FULL_SCALE / unit))
    return np.clip(scaled, -FULL_SCALE, FULL_SCALE - 1).astype(np.int32)


def _text(frames: NDArray[np.int32], sample_rate_hz: int) -> str:
    return base64.b64encode(flac_bytes(frames, sample_rate_hz)).decode("ascii")


def audio_texts(id: str, embedded: Embedded) -> list[tuple[str, str]]:
    """Identifier and text of each take, as `listening_data` names them."""
    texts = [(f"{id}-take-{index}", text) for index, text in enumerate(embedded.texts)]
    others = embedded.others_text
    return texts if others is None else [*texts, (f"{id}-others", others)]


def listening_data(id: str, embedded: Embedded) -> dict[str, Any]:
    """What the page's scripts need to play a passage, the identifiers of its audio among it."""
    passage = embedded.passage
    return {
        "id": id,
        "rate_hz": passage.sample_rate_hz,
        "from_s": passage.span[0],
        "to_s": passage.span[1],
        "others": None if embedded.others_text is None else f"{id}-others",
        "takes": [
            {
                "name": take.source.name,
                "rank": take.source.rank,
                "audio": f"{id}-take-{index}",
                "gains": embedded.gains(take),
                "moments_s": take.source.worst_moments_s,
            }
            for index, take in enumerate(passage.takes)
        ],
    }
