"""What is heard of one group's candidates among the other groups."""

from collections.abc import Sequence

from chainweigh.audio.array import Samples
from chainweigh.measure.onsets import Onsets
from chainweigh.once import once
from chainweigh.ranking.distortion import measure_heard
from chainweigh.ranking.results import HeardMeasures
from chainweigh.ranking.weighed_group import WeighedGroup
from chainweigh.render.cache import Cache
from chainweigh.song import sum_of


class ListenedMix:
    """The mix around one group, in the loudest windows or over the whole song.

    Parameters
    ----------
    group : the place to fill
    others : the other groups with their picks
    onsets : of the dry mix, in song time
    """

    def __init__(
        self,
        group: WeighedGroup,
        others: Sequence[tuple[WeighedGroup, str]],
        onsets: Onsets,
        cache: Cache,
        *,
        whole_song: bool,
    ) -> None:
        self._group, self._picks, self._whole = group, others, whole_song
        self._onsets, self._cache = onsets, cache

    @once
    def _others(self) -> list[Samples]:
        return [self._part(other, pick) for other, pick in self._picks]

    def _part(self, group: WeighedGroup, candidate: str) -> Samples:
        return group.samples_of(candidate) if self._whole else group.windowed(candidate)

    def heard(self, candidate: str) -> HeardMeasures:
        """What a candidate adds to the mix, from the cache where it was judged before."""
        soloed = self._group.weighed[candidate].soloed
        if not self._picks and not self._whole and soloed is not None:
            return soloed
        others = [other.identity(pick) for other, pick in self._picks]
        key = self._cache.key("in mix", self._whole, self._group.identity(candidate), others)
        found = self._cache.load(key, HeardMeasures)
        if found is None:
            found = self._measure(candidate)
            self._cache.store(key, found, {}, self._group.reference.sample_rate_hz)
        return found

    def _measure(self, candidate: str) -> HeardMeasures:
        group, windows = self._group, self._group.reference.windows
        taken = self._part(group, candidate)
        if self._whole:
            fitted = group.fitted_whole_song(candidate)
            windows = windows.whole_song(fitted.shape[1])
        else:
            fitted = group.fitted(candidate)
        taken = self._among_others(taken)  # by its name alone, which lets go of what it was
        fitted = self._among_others(fitted)
        return measure_heard(fitted, taken, self._onsets, windows)

    def _among_others(self, part: Samples) -> Samples:
        return sum_of([*self._others, part]) if self._others else part
