"""The song a run was made from, as results.json tells of it."""

from chainweigh.audio.array import Samples
from chainweigh.measure.correlation import energy
from chainweigh.measure.summary import measure_file
from chainweigh.ranking.results import Source, SourceFile, SourceGroup
from chainweigh.song import Song


def source_of(song: Song, mix: Samples) -> Source:
    """The song's files, groups and notes; `mix` is what its groups sum to."""
    energies = {group.name: energy(group.samples) for group in song.groups}
    total = sum(energies.values())
    return Source(
        title=song.title,
        folder=song.folder_name,
        sample_rate_hz=song.sample_rate_hz,
        duration_s=song.duration_s,
        tempo_bpm=song.tempo_bpm,
        beats_per_bar=song.beats_per_bar,
        groups=tuple(
            SourceGroup(
                name=g.name,
                files=tuple(map(SourceFile, g.files, g.file_digests)),
                energy_share_pct=100.0 * energies[g.name] / total if total > 0 else None,
            )
            for g in song.groups
        ),
        notes=song.notes,
        mix=measure_file(mix, song.sample_rate_hz),
    )
