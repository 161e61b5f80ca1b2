"""What files to be measured must be, judged from their headers before anything is decoded."""

from collections.abc import Sequence

from chainweigh.audio.files import AudioHeader, read_header
from chainweigh.errors import AudioFileError

GIB = 2**30
MAX_BYTES = 4 * GIB
"""Decoded size of a file: 4 bytes a sample."""
MAX_PAIR_BYTES = GIB
"""The same where two are compared, whose measures take about three times this."""


def check_headers(files: Sequence[str], reference: str | None) -> None:
    """Refuse files that are too long, or not of the reference's rate, channels and length.

    Raises
    ------
    AudioFileError
        As `read_header`; more than 4 GiB decoded, or 1 GiB where files are compared.
    """
    if reference is None:
        for name in files:
            _check_size(name, read_header(name), MAX_BYTES, "to be measured")
        return
    held = read_header(reference)
    _check_size(reference, held, MAX_PAIR_BYTES, "to be compared")
    for name in files:
        _check_match(name, read_header(name), reference, held)


def _check_size(name: str, header: AudioHeader, limit: int, what: str) -> None:
    frame_bytes = 4 * header.n_channels
    most = limit // frame_bytes
    if header.n_frames <= most:
        return
    raise AudioFileError(
        f"{name}: its header states {header.n_frames} frames "
        f"({_duration(header.n_frames, header)}), {header.n_frames * frame_bytes / GIB:.1f} GiB "
        f"decoded; {what} a file may have at most {limit / GIB:g} GiB, here {most} frames "
        f"({_duration(most, header)})"
    )


def _check_match(name: str, header: AudioHeader, reference: str, held: AudioHeader) -> None:
    facts = (
        ("sample rate", header.sample_rate_hz, held.sample_rate_hz, "Hz", "resample one of them"),
        ("number of channels", header.n_channels, held.n_channels, "", "bounce one again"),
        ("length", header.n_frames, held.n_frames, "frames", "cut or pad one of them"),
    )
    for what, is_value, was_value, unit, remedy in facts:
        if is_value != was_value:
            raise AudioFileError(
                f"{name}: {what} is {is_value} {unit}".rstrip()
                + f", that of the reference {reference} is {was_value} {unit}".rstrip()
                + f"; both must be the same to be compared: {remedy}"
            )


def _duration(n_frames: int, header: AudioHeader) -> str:
    minutes, seconds = divmod(n_frames // header.sample_rate_hz, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02} min {seconds:02} s"
