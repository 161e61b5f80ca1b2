"""A plug-in as the rest of the program uses it: settle its parameters, render through it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from chainweigh.audio.array import Samples, check_rate, check_samples, shifted
from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts.adaptation import adaptation_note
from chainweigh.hosts.alignment import Alignment, find_alignment
from chainweigh.hosts.output_checks import EQUAL_NOTE, check_drop_outs, check_finite
from chainweigh.hosts.playing import BLOCK_FRAMES
from chainweigh.hosts.pool import POOL
from chainweigh.hosts.records import (
    ParameterValue,
    PluginParameter,
    PluginRecord,
    RenderJob,
    RenderReply,
    Requested,
    Settled,
)
from chainweigh.hosts.values import find_parameter

UNKNOWN_TAIL_S = 1.0  # kept of a plug-in that does not say how long it rings
MAX_TAIL_S = 30.0
MODE_NOTE = "it leaves the floating-point mode changed; that was undone"


@dataclass(frozen=True)
class RenderFacts:
    """How a plug-in's render came about: parameters as it held them, latency, what to note."""

    values: tuple[ParameterValue, ...]
    latency_frames: int
    alignment: Alignment
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Plugin:
    """One plug-in of a file.

    Attributes
    ----------
    digest : of the file's content
    fault : why it could not even be described, None for a sound plug-in; its record then holds
        no more than its name, and every use of it raises this
    """

    path: Path
    digest: str
    record: PluginRecord
    fault: str | None = None

    @property
    def reference(self) -> str:
        """How a chain file names it: FORMAT:ID."""
        return f"{self.record.format}:{self.record.id}"

    def parameter(self, name: str) -> PluginParameter:
        """The parameter of a name or `id:N`.

        Raises
        ------
        PluginError
            Unknown, shared by several, or not settable.
        """
        return find_parameter(self.record.parameters, name)

    def settle(
        self, requested: Mapping[int, Requested], sample_rate_hz: int, preset: str | None = None
    ) -> Settled:
        """Set the parameters of a new instance, read them back, ask for latency and tail.

        Parameters
        ----------
        preset : file, or file#NAME, loaded before

        Raises
        ------
        PluginError
            A value the plug-in cannot hold, or a rate it refuses.
        PluginFaultError
            It crashed or hung.
        """
        check_rate(sample_rate_hz)
        job = replace(self.job(requested, sample_rate_hz), preset=preset)
        with POOL.worker(self.record.host, self.path, self.digest) as worker:
            return worker.settle(job)

    def render(
        self,
        samples: Samples,
        requested: Mapping[int, Requested],
        *,
        sample_rate_hz: int,
        tail_frames: int,
        alignment: Alignment | None = None,
        preset: str | None = None,
    ) -> tuple[Samples, RenderFacts]:
        """Run audio through a new instance in a worker process.

        Parameters
        ----------
        samples : shape (n_channels, n_frames)
        requested : parameter id -> value, the rest stays at the plug-in's defaults
        alignment : found on an earlier render; found anew without it
        preset : file, or file#NAME, loaded before the parameters are set

        Returns
        -------
        samples : n_frames + tail_frames, aligned with the input
        facts : parameters as the plug-in held them, latency, alignment, notes

        Raises
        ------
        PluginError
            A value the plug-in cannot hold, or a rate it refuses.
        PluginFaultError
            It crashed, hung, dropped out, or its output is not finite.
        """
        check_samples(samples)
        check_rate(sample_rate_hz)
        job = replace(
            self.job(requested, sample_rate_hz),
            preset=preset,
            tail_frames=tail_frames,
            find_impulse=alignment is None,
        )
        reply, output = self._played(job, samples)
        found = alignment or find_alignment(
            samples,
            output,
            sample_rate_hz,
            reported_frames=reply.last_latency_frames,
            impulse_frames=reply.impulse_frames,
        )
        n_frames = samples.shape[1]
        aligned = shifted(output, found.shift_frames, n_frames + tail_frames)
        notes = [*reply.notes, _latency_note(reply), found.note]
        notes += [MODE_NOTE] if reply.mode_changed else []
        if alignment is None:  # the programme; test tones may rightly fall silent behind a gate
            check_drop_outs(samples, aligned, sample_rate_hz)
            notes += [self._adaptation_note(job, samples, aligned, found.shift_frames)]
        notes += [EQUAL_NOTE] if _equal(aligned, samples) else []
        told = tuple(note for note in notes if note)
        return aligned, RenderFacts(reply.values, reply.last_latency_frames, found, told)

    def _adaptation_note(
        self, job: RenderJob, samples: Samples, aligned: Samples, shift_frames: int
    ) -> str | None:
        def render(excerpt: Samples) -> Samples:
            _, output = self._played(replace(job, find_impulse=False), excerpt)
            return shifted(output, shift_frames, excerpt.shape[1])

        return adaptation_note(samples, aligned, job.sample_rate_hz, render)

    def _played(self, job: RenderJob, samples: Samples) -> tuple[RenderReply, Samples]:
        """What a worker says, and the whole output, which is finite."""
        n_channels, n_frames = samples.shape
        job = replace(job, n_channels=n_channels, n_frames=n_frames)
        with POOL.worker(self.record.host, self.path, self.digest) as worker:
            reply, output = worker.render(job, samples)
            if reply.mode_changed:
                worker.retire()
        check_finite(output)
        return reply, output

    def job(self, requested: Mapping[int, Requested], sample_rate_hz: int) -> RenderJob:
        """What a worker is asked, for no audio yet.

        Raises
        ------
        PluginError
            It cannot be a stage.
        PluginFaultError
            It could not even be described.
        """
        if self.fault is not None:
            raise PluginFaultError(self.fault)
        if self.record.refusal is not None:
            raise PluginError(f"{self.reference}: {self.record.refusal}")
        return RenderJob(
            self.record.id,
            sample_rate_hz,
            dict(requested),
            n_channels=1,
            n_frames=0,
            tail_frames=0,
            find_impulse=False,
            block_frames=BLOCK_FRAMES,
        )


def kept_tail_frames(settled: Settled, sample_rate_hz: int) -> int:
    """The tail a plug-in reports, at most 30 s; 1 s if it reports none."""
    if settled.tail_frames is None:
        return round(UNKNOWN_TAIL_S * sample_rate_hz)
    return min(settled.tail_frames, round(MAX_TAIL_S * sample_rate_hz))


def _equal(output: Samples, samples: Samples) -> bool:
    n_frames = samples.shape[1]
    first = min(65_536, n_frames)  # the first mostly tell
    return all(np.array_equal(output[:, :n], samples[:, :n]) for n in (first, n_frames))


def _latency_note(reply: RenderReply) -> str | None:
    first, last = reply.latency_frames, reply.last_latency_frames
    return None if first == last else f"its latency went from {first} to {last} frames"
